"""What an installation needs to know of the machine and of the files that came with the program."""

import re
import sys
from collections.abc import Iterable
from pathlib import Path

from click.shell_completion import get_completion_class

from controller.cli import main
from controller.cli.install.steps import below
from controller.errors import TundishError
from controller.model.fields import Value

SHELLS = ("bash", "zsh", "fish")


class Shipped(Value, frozen=True, kw_only=True):
    """Texts of the files that came with the program, by file name, and the shells' completion scripts, by shell."""

    units: dict[str, str]
    completions: dict[str, str]


class InstalledSystem(Value, frozen=True, kw_only=True):
    """What is there before anything is done."""

    systemd: int | None  # version; None: there is no systemd
    is_running: bool  # the machine itself, under systemd; False for an image's root folder
    texts: dict[Path, str]  # what the files that would be written hold now; those that are missing are missing here
    links: dict[Path, Path]
    folders: frozenset[Path]


def program() -> Path:
    """The installed command `tundish` of this very Python. Raises TundishError when there is none."""
    place = Path(sys.prefix) / "bin" / "tundish"
    if not place.is_file():
        raise TundishError(
            f"there is no {place}, so no service can start it. Install the wheel into this Python first."
        )
    return place


def read_shipped(shared: Path) -> Shipped:
    """Read the unit files and make the completion scripts."""
    units = {path.name: path.read_text(encoding="utf-8") for path in (shared / "systemd").iterdir() if path.is_file()}
    completions = {}
    for shell in SHELLS:
        kind = get_completion_class(shell)
        if kind is not None:
            # Only the template is wanted: source() would start the shell to see how old it is.
            script = kind(main, {}, "tundish", "_TUNDISH_COMPLETE")
            completions[shell] = script.source_template % script.source_vars()
    return Shipped(units=units, completions=completions)


def look_at(root: Path, paths: Iterable[Path]) -> InstalledSystem:
    """What is there below `root`, of these paths and in general."""
    texts, links, folders = {}, {}, set()
    for path in paths:
        place = below(root, path)
        if place.is_symlink():
            links[path] = place.readlink()
        elif place.is_dir():
            folders.add(path)
        elif place.is_file():
            texts[path] = place.read_text(encoding="utf-8", errors="replace")
    return InstalledSystem(
        systemd=systemd_version(root),
        is_running=root == Path("/") and Path("/run/systemd/system").is_dir(),
        texts=texts,
        links=links,
        folders=frozenset(folders),
    )


def systemd_version(root: Path) -> int | None:
    """The version of the systemd below `root`, by the name of its shared library; None when there is none."""
    found = [
        int(match[1])
        for pattern in ("usr/lib/systemd", "lib/systemd", "usr/lib/*/systemd", "usr/lib64/systemd")
        for path in root.glob(f"{pattern}/libsystemd-shared-*.so")
        if (match := re.search(r"-(\d+)", path.name.removeprefix("libsystemd-shared")))
    ]
    return max(found, default=None)
