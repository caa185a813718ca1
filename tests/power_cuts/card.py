"""What is done to files on a card, and what a power cut leaves of them."""

import os
import random
import re
import subprocess
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

MARKS = "marks"  # the file of what people have been told
SECTOR = 512  # bytes that a card writes whole


@dataclass(frozen=True)
class Op:
    """One thing done to a file: write (at, data), size (at), sync, or gone."""

    kind: str
    name: str
    at: int = 0
    data: bytes = b""


CALL = re.compile(r"^(?:\d+ +)?(\w+)\((.*)\) += (-?\d+)")
HEX = re.compile(r'"((?:\\x[0-9a-f]{2})*)"')
CALLS = "openat,lseek,write,pwrite64,ftruncate,fsync,fdatasync,unlink,unlinkat,rename"
STRACE = ["strace", "-f", "-qq", "-xx", "-s", "1000000", "-e", f"trace={CALLS}"]


def recorded(act: list[str | Path], folder: Path) -> list[Op]:
    """Run a command under strace; everything that it did to the files in the folder, in order."""
    log = folder.with_suffix(".strace")
    subprocess.run([*STRACE, "-o", log, *act], check=True)
    return list(_ops(log.read_text(encoding="ascii"), folder))


def _ops(log: str, folder: Path) -> Iterator[Op]:
    names: dict[int, str] = {}
    offsets: dict[int, int] = defaultdict(int)
    for line in log.splitlines():
        found = CALL.match(line)
        if found is None or int(found[3]) < 0:
            continue
        call, arguments, result = found[1], found[2], int(found[3])
        texts = [bytes.fromhex(text.replace("\\x", "")) for text in HEX.findall(arguments)]
        if call == "openat":
            path = Path(os.fsdecode(texts[0]))
            names[result] = path.name if path.parent == folder else ""
            offsets[result] = 0
            continue
        if call in {"unlink", "unlinkat"}:
            path = Path(os.fsdecode(texts[0]))
            if path.parent == folder:
                yield Op("gone", path.name)
            continue
        if call == "rename":
            raise RuntimeError("a file was renamed: this replay knows no renames")
        descriptor = int(arguments.split(",")[0])
        name = names.get(descriptor, "")
        if call == "lseek":
            offsets[descriptor] = result
        if not name:
            continue
        numbers = HEX.sub("", arguments).split(",")
        if call == "pwrite64":
            yield Op("write", name, int(numbers[3]), texts[0][:result])
        elif call == "write":
            yield Op("write", name, offsets[descriptor], texts[0][:result])
            offsets[descriptor] += result
        elif call == "ftruncate":
            yield Op("size", name, int(numbers[1]))
        elif call in {"fsync", "fdatasync"}:
            yield Op("sync", name)


@dataclass
class OnCard:
    """One file: what is surely on the card, and what was done to it since."""

    synced: bytes = b""
    since: list[Op] = field(default_factory=list)

    def content(self, kept: list[Op]) -> bytes:
        data = bytearray(self.synced)
        for op in kept:
            if op.kind == "size":
                del data[op.at :]
                data.extend(bytes(op.at - len(data)))
            else:
                data.extend(bytes(max(0, op.at - len(data))))
                data[op.at : op.at + len(op.data)] = op.data
        return bytes(data)

    def torn(self, rng: random.Random) -> bytes:
        """Some of the sectors that were not synced, and not the others."""
        kept = []
        for op in self.since:
            pieces = [op] if op.kind == "size" else _sectors(op)
            kept += [piece for piece in pieces if rng.random() < 0.5]
        return self.content(kept)


def _sectors(op: Op) -> list[Op]:
    pieces, at, end = [], op.at, op.at + len(op.data)
    while at < end:
        upto = min(end, (at // SECTOR + 1) * SECTOR)
        pieces.append(Op("write", op.name, at, op.data[at - op.at : upto - op.at]))
        at = upto
    return pieces


@dataclass
class Cut:
    """The card after so many operations."""

    at: int
    files: dict[str, OnCard]
    marks: bytes

    def image(self, how: str, rng: random.Random) -> dict[str, bytes]:
        """Every file as one kind of cut leaves it."""
        match how:
            case "lost":
                return {name: file.content([]) for name, file in self.files.items()}
            case "kept":
                return {name: file.content(file.since) for name, file in self.files.items()}
            case _:
                return {name: file.torn(rng) for name, file in self.files.items()}


def cuts(ops: list[Op], wanted: frozenset[int]) -> Iterator[Cut]:
    """The card just before each wanted operation."""
    files: dict[str, OnCard] = {}
    marks = b""
    for at, op in enumerate([*ops, Op("end", "")]):
        if at in wanted:
            yield Cut(at, files, marks)
        if op.name == MARKS:
            marks += op.data
        elif op.kind == "gone":
            files.pop(op.name, None)
        elif op.kind == "sync":
            file = files.setdefault(op.name, OnCard())
            file.synced, file.since = file.content(file.since), []
        elif op.kind in {"write", "size"}:
            files.setdefault(op.name, OnCard()).since.append(op)


def damaged(image: dict[str, bytes], rng: random.Random) -> tuple[str, dict[str, bytes]]:
    """The image with one file altered, and what was done to it."""
    name = rng.choice(sorted(image)) if image else ""
    data = image.get(name, b"")
    how = rng.choice(("flipped", "flipped", "cut", "deleted")) if data else "deleted"
    at = rng.randrange(max(1, len(data)))
    altered = {one: content for one, content in image.items() if one != name}
    if how == "flipped":
        altered[name] = data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]
    elif how == "cut":
        altered[name] = data[:at]
    return f"{name} {how} at {at}", altered
