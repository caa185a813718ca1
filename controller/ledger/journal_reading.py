"""Finds and reads the files of the guard's journal, and says what of them is missing or damaged."""

import re
from dataclasses import dataclass
from pathlib import Path

from controller.errors import RecordError
from controller.ledger import journal_database
from controller.ledger.journal_segment import START, JournalEntry, JournalSegment, parse, parse_head
from controller.model.messages import JournalHead

SEGMENT = re.compile(r"journal-(\d{10})\.log")
HEAD = "journal.head"
DATABASE = "journal.db"  # of earlier versions: read once, and kept


@dataclass(frozen=True, kw_only=True)
class JournalReading:
    """What could be read, oldest first, and one sentence for each thing that could not.

    is_complete: whether the entries begin with a checkpoint and the journal may go on after them; else the next entry
    must be a checkpoint.
    """

    entries: tuple[JournalEntry, ...]
    damage: tuple[str, ...]
    is_complete: bool = True


@dataclass(frozen=True, kw_only=True)
class FoundSegment:
    """The last intact segment of a folder, those after it that are not, and where the journal goes on."""

    path: Path
    segment: JournalSegment | None
    damaged: tuple[Path, ...]
    head: JournalHead
    damage: tuple[str, ...]

    @property
    def entries(self) -> tuple[JournalEntry, ...]:
        """Those of the last intact segment."""
        return self.segment.entries if self.segment else ()


def find(folder: Path, kept: bytes) -> FoundSegment:
    """kept: the content of `journal.head`."""
    damaged: list[Path] = []
    path, segment = folder, None
    for path in reversed(segments(folder)):
        segment = parse(path.read_bytes())
        if segment is not None and segment.before.number + 1 == first_number(path):
            break
        damaged.append(path)
        segment = None
    last = segment.head if segment else START
    named = parse_head(kept)
    is_cut = bool(damaged) or (segment is not None and not segment.is_whole)
    damage = _damage(folder, segment, named, is_cut=is_cut, is_new=not kept)
    head = last
    if damage:  # no number is given twice
        numbers = (_known_of(segment, named), *map(first_number, damaged))
        unread = [JournalHead(number=number, hash=last.hash) for number in numbers]
        head = max(last, named or START, *unread, key=lambda one: one.number)
    return FoundSegment(path=path, segment=segment, damaged=tuple(damaged), head=head, damage=damage)


def _damage(
    folder: Path, segment: JournalSegment | None, named: JournalHead | None, *, is_cut: bool, is_new: bool
) -> tuple[str, ...]:
    """What is missing after the last intact entry."""
    last, known = segment.head if segment else START, _known_of(segment, named)
    if known > last.number:
        return (f"{folder}: of entries up to {known} none can be read after {last.number}",)
    if named is not None and segment is not None and segment.hashes.get(named.number, named.hash) != named.hash:
        return (f"{folder}: entry {named.number} is not the one that was written",)
    if named is None and (is_cut or segment is None) and not (is_new and segment is None):
        return (f"{folder}: {HEAD} cannot be read, nor what follows entry {last.number}",)
    return ()


def _known_of(segment: JournalSegment | None, named: JournalHead | None) -> int:
    """The number of the last entry that there was, by `journal.head` and by what stands in the segment."""
    in_segment = segment.head.number + segment.lost if segment else START.number
    return max(in_segment, named.number if named else START.number)


def read_at(path: Path) -> JournalReading:
    """All of a journal: its folder, one segment, or the database of earlier versions; or a copy of one. RecordError.

    The guard may be writing it; nothing is changed.
    """
    try:
        if path.is_dir():
            return _whole_folder(path)
        if path.suffix == ".db":
            entries, damage = journal_database.read(path)
            return JournalReading(entries=entries, damage=damage)
        segment = parse(path.read_bytes())
    except OSError as failure:
        raise RecordError(f"{path} cannot be read as a journal: {failure}.") from failure
    if segment is None:
        raise RecordError(f"{path} cannot be read as a journal.")
    damage = () if segment.is_whole else (f"{path}: nothing can be read after entry {segment.head.number}",)
    return JournalReading(entries=segment.entries, damage=damage)


def _whole_folder(folder: Path) -> JournalReading:
    """Every segment, oldest first. What `journal.head` names was written before any of them is read."""
    kept = (folder / HEAD).read_bytes() if (folder / HEAD).exists() else b""
    known, said = of_earlier_versions(folder)
    entries, damage, last = list(known), list(said), START.number
    for path in segments(folder):
        segment = parse(path.read_bytes())
        if segment is None:
            damage.append(f"{path} cannot be read")
            continue
        if segment.before.number > last:
            damage.append(f"{folder}: entries {last + 1} to {segment.before.number} are not there")
        entries += segment.entries
        last = segment.head.number
    return JournalReading(entries=tuple(entries), damage=(*damage, *find(folder, kept).damage))


def of_earlier_versions(folder: Path) -> tuple[tuple[JournalEntry, ...], tuple[str, ...]]:
    """What the database that this journal follows on holds, and what of it is damaged."""
    path = folder / DATABASE
    return journal_database.read(path) if path.exists() else ((), ())


def segments(folder: Path) -> list[Path]:
    """Oldest first."""
    return sorted(path for path in folder.iterdir() if SEGMENT.fullmatch(path.name))


def first_number(path: Path) -> int:
    """The number of a segment's first entry, by its name."""
    return int(path.stem.removeprefix("journal-"))
