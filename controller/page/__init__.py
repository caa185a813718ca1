"""The page that the engine serves to phones: the files of this folder, read and compressed once.

Nothing here is built or secret. `index.html` loads `main.js`, which shows the guest's or the operator's side, as the
token says; `texts/` holds every word of it, one file for each language.
"""

import gzip
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from pathlib import Path

MEDIA_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".json": "application/json",
    ".svg": "image/svg+xml",
}
ROOT = "/"
BELOW = "/page/"  # the other files


@dataclass(frozen=True, kw_only=True)
class PageFile:
    """One file as it is sent, plain or compressed (RFC 1952)."""

    media_type: str
    plain: bytes
    compressed: bytes
    etag: str


@cache
def page_files() -> dict[str, PageFile]:
    """Address -> file: `/` is index.html, every other one lies below `/page/`."""
    folder = Path(__file__).parent
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.suffix in MEDIA_TYPES:
            name = path.relative_to(folder).as_posix()
            found[ROOT if name == "index.html" else BELOW + name] = _read(path)
    return found


def _read(path: Path) -> PageFile:
    plain = path.read_bytes()
    return PageFile(
        media_type=MEDIA_TYPES[path.suffix],
        plain=plain,
        compressed=gzip.compress(plain, mtime=0),
        etag=sha256(plain).hexdigest()[:16],
    )
