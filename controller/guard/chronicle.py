"""Reads a journal back as operations: what was asked, which rules refused it, what was switched, how it ended."""

from dataclasses import dataclass, replace

import msgspec

from controller.ledger.journal import Reading
from controller.model.messages import Ended
from controller.model.plan import Operation, PlannedRun
from controller.safety.records import AdmittedRecord, EndedRecord, RefusedRecord, Stamped, UnheldRecord

_decoder = msgspec.json.Decoder(Stamped)


@dataclass(frozen=True, kw_only=True)
class Chapter:
    """One operation, or one request that was refused.

    edges: line, on, seconds after the first start. `ended` is None while it is under way, when it was refused, and when
    the guard was interrupted and has not started since.
    """

    request: str
    wall_s: float  # when it was asked, Unix seconds
    refused_by: tuple[str, ...] = ()
    reason: str = ""
    asked: Operation | None = None
    resumed: tuple[tuple[PlannedRun, ...], ...] = ()  # runs that it went on with, hold by hold
    edges: tuple[tuple[int, bool, float], ...] = ()
    ended: Ended | None = None


@dataclass(frozen=True, kw_only=True)
class Chronicle:
    """All that a journal tells, oldest first, and one sentence for each thing that it does not tell any more."""

    chapters: tuple[Chapter, ...]
    damage: tuple[str, ...]


def chronicle(reading: Reading) -> Chronicle:
    """A whole journal as operations."""
    damage = list(reading.damage)
    chapters: list[Chapter] = []
    under_way: dict[str, int] = {}  # operation -> place among the chapters
    for entry in reading.entries:
        try:
            stamped = _decoder.decode(entry.body)
        except msgspec.MsgspecError as problem:
            damage.append(f"entry {entry.seq} ({entry.kind}) is not understood: {problem}")
            continue
        _tell(stamped, chapters, under_way)
    return Chronicle(chapters=tuple(chapters), damage=tuple(damage))


def _tell(stamped: Stamped, chapters: list[Chapter], under_way: dict[str, int]) -> None:
    match stamped.record:
        case RefusedRecord(request=request, rules=rules, reason=reason):
            chapters.append(Chapter(request=request, wall_s=stamped.wall_s, refused_by=rules, reason=reason))
        case AdmittedRecord(operation=operation):
            under_way[operation.operation] = len(chapters)
            chapters.append(Chapter(request=operation.operation, wall_s=stamped.wall_s, asked=operation))
        case UnheldRecord(operation=name, runs=runs):
            place = under_way.get(name)
            if place is not None:
                chapters[place] = replace(chapters[place], resumed=(*chapters[place].resumed, runs))
        case EndedRecord(ended=ended, edges=edges):
            place = under_way.pop(ended.operation, None)
            if place is not None:
                chapters[place] = replace(chapters[place], edges=edges, ended=ended, reason=ended.reason)
        case _:
            pass  # what happened to lines and clocks, not to operations
