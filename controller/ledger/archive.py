"""Archives of a machine's files: one compressed tar, readable by its owner only, every file named with its hash.

The first member lists all others; what is not on that list, or not as it says, is refused before anything is unpacked.
"""

import hashlib
import io
import os
import tarfile
import time
from collections.abc import Iterable
from pathlib import Path, PurePosixPath

import msgspec

from controller.errors import RecordError
from controller.model.fields import Value

FORMAT = 1
LIST = "contents.json"
MOST_TRIES = 10  # to copy files while somebody writes them
MOST_BYTES = 1 << 30  # of one archive, unpacked; ten years of records are a fraction of it


class Listed(Value, frozen=True, kw_only=True):
    """What an archive holds, and which program made it when."""

    format: int
    program: str
    made_wall_s: float
    machine: str
    sha256: dict[str, str]  # by path in the archive


def copy_at_rest(source: Path, target: Path, names: Iterable[str]) -> None:
    """Copy these files and folders of `source`, all as they were at one instant; OSError when they never rest."""
    names = tuple(names)
    for _ in range(MOST_TRIES):
        before = _marks(source, names)
        for name in before:
            place = target / name
            place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            place.write_bytes((source / name).read_bytes())
        if _marks(source, names) == before:
            return
        for path in [*target.rglob("*")]:
            if path.is_file():
                path.unlink()
    raise OSError(f"{source} is being written all the time. Try again in a moment.")


def _marks(folder: Path, names: Iterable[str]) -> dict[str, tuple[int, int]]:
    found = {}
    for name in names:
        for path in sorted([folder / name, *(folder / name).rglob("*")]):
            if path.is_file() and not path.is_symlink():
                facts = path.stat()
                found[str(path.relative_to(folder))] = (facts.st_size, facts.st_mtime_ns)
    return found


def pack(folder: Path, archive: Path, *, program: str, machine: str) -> Listed:
    """Write all of `folder` to `archive`, which must not be there yet; on disk when it returns. OSError."""
    names = sorted(_marks(folder, (path.name for path in folder.iterdir())))
    contents = {name: (folder / name).read_bytes() for name in names}
    listed = Listed(
        format=FORMAT,
        program=program,
        made_wall_s=time.time(),
        machine=machine,
        sha256={name: hashlib.sha256(data).hexdigest() for name, data in contents.items()},
    )
    archive.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    new = archive.with_name(f".{archive.name}.new")
    new.unlink(missing_ok=True)
    descriptor = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    try:
        with os.fdopen(descriptor, "wb") as file:
            with tarfile.open(fileobj=file, mode="w:gz") as packed:
                for name, data in ((LIST, msgspec.json.encode(listed)), *contents.items()):
                    member = tarfile.TarInfo(name)
                    member.size, member.mode, member.mtime = len(data), 0o600, int(listed.made_wall_s)
                    packed.addfile(member, io.BytesIO(data))
            file.flush()
            os.fsync(file.fileno())
        os.link(new, archive)  # unlike a rename it overwrites nothing
    finally:
        new.unlink(missing_ok=True)
    return listed


def unpack(archive: Path, folder: Path) -> Listed:
    """Lay the archive's files into the empty `folder`. RecordError naming the first thing that is not as listed."""
    try:
        with tarfile.open(archive, mode="r:gz") as packed:
            contents = _contents(archive, packed)
    except (OSError, tarfile.TarError, EOFError) as failure:
        raise RecordError(f"{archive} cannot be read as a backup: {failure}.") from failure
    try:
        listed = msgspec.json.decode(contents.pop(LIST, b""), type=Listed)
    except msgspec.MsgspecError as failure:
        raise RecordError(f"{archive} is not a backup of a machine: its list of contents {failure}.") from failure
    if listed.format != FORMAT:
        raise RecordError(f"{archive} has format {listed.format}, this Tundish reads {FORMAT}. Use a newer one.")
    found = {name: hashlib.sha256(data).hexdigest() for name, data in contents.items()}
    for name in sorted(found.keys() | listed.sha256.keys()):
        if found.get(name) != listed.sha256.get(name):
            raise RecordError(f"{archive} is damaged: {name} is not what was packed. Nothing was changed.")
    for name, data in contents.items():
        place = folder / name
        place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        place.write_bytes(data)
    return listed


def _contents(archive: Path, packed: tarfile.TarFile) -> dict[str, bytes]:
    contents: dict[str, bytes] = {}
    left = MOST_BYTES
    for member in packed:
        path = PurePosixPath(member.name)
        left -= member.size
        if not member.isreg() or path.is_absolute() or ".." in path.parts or member.name in contents or left < 0:
            raise RecordError(f"{archive} is not a backup of a machine: {member.name!r} does not belong into one.")
        file = packed.extractfile(member)
        contents[member.name] = file.read() if file else b""
    return contents
