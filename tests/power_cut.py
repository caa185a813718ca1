"""What a power cut leaves on the card, and what the machine makes of it.

python3 tests power-cut [--images N] [--seed S]

A whole machine (guard, engine, bench in virtual time) serves drinks under strace, with its journal and its ledger in a
folder. From the recorded writes and syncs come images of that folder as a cut would leave them: at every sync, just
before and just after it, and at N random places; with what was not yet synced lost, kept, or torn sector by sector. A
machine is started on each image. Then: nothing that was reported done is lost; of what was under way no more is booked
than could have flowed; lines that were in motion hold something unknown; no pump moves by itself.
"""

import argparse
import logging
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import structlog

from controller.config import load
from controller.errors import TundishError
from controller.ledger.journal import FileJournal
from controller.model.calibration import Calibration
from controller.model.messages import Edge, Ended, Event, TakeCalibration
from controller.model.states import Contents, Outcome
from controller.model.views import OperationView, PourRequest
from controller.rehearsal.machine import Machine
from controller.rehearsal.weighing import prime_all

ROOT = Path(__file__).resolve().parent.parent
PROFILE, BOOK, _ = load(ROOT / "hardware_profiles/bench_six_line.yaml", ROOT / "demo/orchard_fete.yaml")
LINES = tuple(line.line for line in PROFILE.lines)
JOURNAL, LEDGER, MARKS = "journal.db", "ledger.db", "marks"
DRINKS = ("Blackcurrant Spritz", "Windfall Punch", "Blackcurrant Spritz")
SECTOR = 512  # bytes that a card writes whole
WATCH_S = 30.0  # of virtual time after each restart
BOOKED_S = 1.25  # of full flow that may be booked beyond what was asked: until it is driven off, and its spread

# --- the machine that is cut off


def act(folder: Path) -> None:
    """Commission a machine, then serve; everything that is reported stands in the file of marks, in its order."""
    marks = os.open(folder / MARKS, os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def mark(*words: object) -> None:
        os.write(marks, (" ".join(map(str, words)) + "\n").encode())

    def hear(event: Event) -> None:
        if isinstance(event, Edge) and event.is_on:
            mark("on", event.operation, event.line)

    machine = started(folder, hear)
    prime_all(machine, LINES)
    for one in machine.plant.truth_report():
        calibration = Calibration(
            line=one.line,
            liquid=one.liquid,
            flow_ml_s=one.flow_ml_s,
            lag_s=one.lag_s,
            u_flow_ml_s=0.01,
            u_lag_s=0.01,
            cov_flow_lag=0.0,
            sag_per_a=one.sag_per_a,
            taken_wall_s=machine.clock.wall_s(),
        )
        machine.guard.handle("engine", TakeCalibration(calibration=calibration))
    machine.pass_time(3.0)
    mark("ready")
    for drink in DRINKS:
        machine.plant.place_glass("tumbler")
        machine.pass_time(3.0)
        operation = machine.engine.pour(PourRequest(recipe=drink)).operation
        mark("asked", operation)
        view = machine.finish(operation)
        mark("done", operation, view.outcome, deliveries(view))
        machine.plant.lift_glass()
    # No close: whoever pulls the plug does not wait for it.


def deliveries(view: OperationView) -> str:
    """What each line delivered, to the thousandth of a millilitre."""
    return " ".join(sorted(f"{line.line}:{line.delivered_ml:.3f}mL" for line in view.lines))


def started(folder: Path, hear: object = None) -> Machine:
    """A machine on the records in this folder."""
    journal = FileJournal(folder / JOURNAL)
    return Machine(PROFILE, BOOK, seed=3, ledger_path=folder / LEDGER, journal=journal, listen=hear)


# --- what it wrote


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


def recorded(folder: Path) -> list[Op]:
    """Run `act` under strace; everything that it did to the files in the folder, in order."""
    log = folder.with_suffix(".strace")
    subprocess.run(
        [*STRACE, "-o", log, sys.executable, __file__, "--act", folder],
        check=True,
    )
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


# --- what a cut leaves of it


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


@dataclass(frozen=True)
class Known:
    """What people had been told by the time of the cut."""

    done: dict[str, tuple[str, str]]  # operation -> outcome, deliveries
    asked: str | None  # the operation under way
    moved: frozenset[int]  # lines that it had switched on
    is_commissioned: bool


def known(marks: bytes) -> Known:
    """From the marks written so far."""
    done: dict[str, tuple[str, str]] = {}
    asked, moved, is_commissioned = None, set(), False
    for line in marks.decode().splitlines():
        word, *rest = line.split(" ")
        match word:
            case "ready":
                is_commissioned = True
                moved.clear()
            case "asked":
                asked, moved = rest[0], set()
            case "on":
                moved.add(int(rest[1]))
            case "done":
                done[rest[0]] = (rest[1], " ".join(rest[2:]))
                asked, moved = None, set()
    return Known(done, asked, frozenset(moved), is_commissioned)


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


# --- what the machine makes of it


def examine(image: dict[str, bytes], told: Known, folder: Path) -> list[str]:
    """Start a machine on the image; one sentence for each thing that must not be."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name, data in image.items():
        (folder / name).write_bytes(data)
    heard: list[Event] = []
    try:
        machine = started(folder, heard.append)
    except TundishError as error:
        return [f"no machine starts on it: {error}"]
    try:
        machine.pass_time(WATCH_S)
        return [*_lost(machine, told), *_moved(machine, heard), *_under_way(machine, told, heard)]
    finally:
        machine.close()


def _lost(machine: Machine, told: Known) -> list[str]:
    complaints = []
    for operation, (outcome, delivered) in told.done.items():
        try:
            view = machine.engine.operation(operation)
        except KeyError:
            complaints.append(f"{operation} was reported {outcome} and is not in the ledger")
            continue
        kept = deliveries(view)
        if (view.outcome, kept) != (outcome, delivered):
            complaints.append(f"{operation}: reported {outcome} {delivered}, kept {view.outcome} {kept}")
    return complaints


def _moved(machine: Machine, heard: list[Event]) -> list[str]:
    moved = [event.line for event in heard if isinstance(event, Edge)]
    closed = [line.line for line in machine.plant.report().lines if line.contact_closed]
    return [f"lines {sorted({*moved, *closed})} moved by themselves"] if moved or closed else []


def _under_way(machine: Machine, told: Known, heard: list[Event]) -> list[str]:
    """Of the operation that was cut off: its lines unknown, its worst case booked and no more, nothing left open."""
    status = machine.engine.status()
    contents = {line.line: line.contents for line in status.lines}
    left_open = [view.operation for view in machine.engine.history(50) if view.outcome is None]
    complaints = [f"{operation} is left open" for operation in left_open]
    if not told.is_commissioned:
        return complaints
    ended = {event.operation: event for event in heard if isinstance(event, Ended)}
    view = None
    if told.asked is not None:
        try:
            view = machine.engine.operation(told.asked)
        except KeyError:
            complaints.append(f"{told.asked} was begun and is not in the ledger")
    is_cut = view is not None and view.outcome != Outcome.DONE
    must_be_unknown = told.moved if is_cut else frozenset()
    for line in LINES:
        if line in must_be_unknown and contents[line] != Contents.UNKNOWN:
            complaints.append(f"line {line} was in motion and counts as {contents[line]}")
        if view is None and told.asked is None and contents[line] != Contents.LIQUID:
            complaints.append(f"line {line} was at rest and counts as {contents[line]}")
    for one in ended[told.asked].deliveries if told.asked in ended else ():
        if one.worst_ml > one.asked_ml + BOOKED_S * PROFILE.line(one.line).pump.nominal_flow_ml_s:
            complaints.append(f"line {one.line}: {one.worst_ml:.1f} mL booked of {one.asked_ml:.1f} mL asked")
    return complaints


# --- all of it


def places(ops: list[Op], images: int, rng: random.Random, *, every_sync: bool) -> frozenset[int]:
    """Before and after every sync, at so many random places, and at the end."""
    syncs = [at for at, op in enumerate(ops) if op.kind == "sync" and every_sync]
    return frozenset([*syncs, *(at + 1 for at in syncs), *(rng.randrange(len(ops)) for _ in range(images)), len(ops)])


def run(*, images: int, seed: int, every_sync: bool = True) -> tuple[int, list[str]]:
    """How many images were examined, and every complaint."""
    rng = random.Random(seed)
    complaints, count = [], 0
    with tempfile.TemporaryDirectory(prefix="tundish-power-cut-") as name:
        acted = Path(name) / "acted"
        acted.mkdir()
        ops = recorded(acted)
        for cut in cuts(ops, places(ops, images, rng, every_sync=every_sync)):
            told = known(cut.marks)
            for how in ("lost", "kept", "torn"):
                count += 1
                found = examine(cut.image(how, rng), told, Path(name) / "image")
                complaints += [f"cut before operation {cut.at} of {len(ops)}, unsynced {how}: {one}" for one in found]
    return count, complaints


def main() -> int:
    parser = argparse.ArgumentParser(prog="python3 tests power-cut", description=__doc__)
    parser.add_argument("--images", type=int, default=100, help="cuts at random places, beside those at every sync")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--act", type=Path, help=argparse.SUPPRESS)
    words = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    if words.act is not None:
        act(words.act)
        return 0
    if shutil.which("strace") is None:
        print("skipped: strace is not installed, and without it no write is seen")
        return 0
    count, complaints = run(images=words.images, seed=words.seed)
    print(*complaints, sep="\n")
    print(f"{count} images of the folder examined, {len(complaints)} complaints")
    return 1 if complaints else 0


if __name__ == "__main__":
    sys.exit(main())
