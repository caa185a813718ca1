"""How long the guard's journal takes to be read at a start after years of use, and what it holds on disk.

python3 tests benchmarks journal [--servings N] [--folder DIR]

The records are those of real servings on a guard in virtual time, repeated with ids and times of their own; the folder
should be on a file system in memory, as every entry is synced. A small board is ten times slower than a desk computer.
"""

import argparse
import sys
import tempfile
import time
from pathlib import Path

import msgspec
from msgspec.structs import replace

from controller.guard.journal_writer import JournalWriter
from controller.ledger.journal import FileJournal
from controller.model.messages import Start
from controller.safety.memory import apply
from controller.safety.records import AdmittedRecord, EndedRecord, Memory, Stamped
from tests.guard.guard_parts import Rig, run_of, serve

FIVE_YEARS = 5 * 52 * 100  # weekly parties of a hundred servings
LIMIT_S = 0.1
PAUSE_S = 120.0  # between two servings


def real_serving() -> tuple[Memory, list[list[Stamped]]]:
    """The memory before one serving of three doses, and the entries that it leaves."""
    rig = Rig().primed(1, 2, 3)
    before, known = rig.guard.core.memory, len(rig.journal.entries)
    doses = (run_of(1, "apple juice", 0, 10), run_of(2, "ginger syrup", 0.5, 4), run_of(3, "cold tea", 1, 8))
    rig.say(Start(operation=serve(*doses)))
    rig.run(15)
    return before, [msgspec.json.decode(one.body, type=list[Stamped]) for one in rig.journal.entries[known:]]


def moved(one: Stamped, number: int) -> Stamped:
    """The record of the serving of this number."""
    name, later_s = f"{number:012x}", number * PAUSE_S
    record = one.record
    if isinstance(record, AdmittedRecord):
        record = replace(record, operation=replace(record.operation, operation=name))
    elif isinstance(record, EndedRecord):
        record = replace(record, ended=replace(record.ended, operation=name), began_s=record.began_s + later_s)
    return replace(one, mono_s=one.mono_s + later_s, wall_s=one.wall_s + later_s, record=record)


def fill(folder: Path, servings: int) -> Memory:
    """A journal after so many servings; the memory that it must give."""
    memory, entries = real_serving()
    writer = JournalWriter(FileJournal(folder))

    def write(records: list[Stamped]) -> None:
        writer.take(records)
        if failure := writer.write(0.0, is_urgent=True):
            raise RuntimeError(failure)

    write([Stamped(mono_s=memory.mono_s, wall_s=memory.wall_s, record=memory)])
    number = 0
    while number < servings or not writer.wants_snapshot:  # the longest segment that a start can meet
        for records in ([moved(one, number) for one in entry] for entry in entries):
            write(records)
            for one in records:
                memory = apply(memory, one)
        number += 1
        if writer.wants_snapshot and number < servings:
            write([Stamped(mono_s=memory.mono_s, wall_s=memory.wall_s, record=memory)])
    writer.close()
    return memory


def main() -> int:
    parser = argparse.ArgumentParser(prog="python3 tests benchmarks journal", description=__doc__)
    parser.add_argument("--servings", type=int, default=FIVE_YEARS)
    parser.add_argument("--folder", type=Path, default=Path("/dev/shm"))
    words = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="tundish-journal-", dir=words.folder) as name:
        folder = Path(name)
        expected = fill(folder, words.servings)
        sizes = [path.stat().st_size for path in sorted(folder.glob("*.log"))]
        taken = []
        for _ in range(5):
            began_s = time.process_time()
            journal = FileJournal(folder)
            remembered = JournalWriter(journal).remember()
            taken.append(time.process_time() - began_s)
            journal.close()
    if remembered.memory != expected or remembered.damage:
        print(f"what was read is not what was written: {remembered.damage}")
        return 1
    print(f"{words.servings} servings in {len(sizes)} segments, {sum(sizes) / 1e6:.1f} MB in all")
    print(f"{sum(sizes) / 1024 / words.servings:.2f} KiB a serving in the journal, checkpoints included")
    took_ms, most_ms = 1000 * min(taken), 1000 * LIMIT_S
    print(f"read at a start: {sizes[-1] / 1024:.0f} KiB, {took_ms:.1f} ms of processor time (at most {most_ms:.0f})")
    return 0 if min(taken) <= LIMIT_S else 1


if __name__ == "__main__":
    sys.exit(main())
