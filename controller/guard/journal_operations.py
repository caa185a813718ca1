"""Reads a journal back as operations: what was asked, which rules refused it, what was switched, how it ended."""

from dataclasses import dataclass, replace

import msgspec

from controller.ledger.journal_reading import Reading
from controller.model.messages import Ended
from controller.model.plan import Operation, PlannedRun
from controller.safety.records import AdmittedRecord, EndedRecord, RefusedRecord, Stamped, UnheldRecord

_decoder = msgspec.json.Decoder(list[Stamped])


@dataclass(frozen=True, kw_only=True)
class JournalledOperation:
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
class JournalOperations:
    """Every operation in a journal, oldest first, and one sentence for each thing that cannot be read any more."""

    operations: tuple[JournalledOperation, ...]
    damage: tuple[str, ...]


def operations_in(reading: Reading) -> JournalOperations:
    """Everything in a journal that was asked of the guard, and what came of it."""
    damage = list(reading.damage)
    operations: list[JournalledOperation] = []
    under_way: dict[str, int] = {}  # operation -> its place in the list
    for entry in reading.entries:
        try:
            records = _decoder.decode(entry.body)
        except msgspec.MsgspecError as problem:
            damage.append(f"entry {entry.number} is not understood: {problem}")
            continue
        for stamped in records:
            _take(stamped, operations, under_way)
    return JournalOperations(operations=tuple(operations), damage=tuple(damage))


def _take(stamped: Stamped, operations: list[JournalledOperation], under_way: dict[str, int]) -> None:
    match stamped.record:
        case RefusedRecord(request=request, rules=rules, reason=reason):
            operations.append(
                JournalledOperation(request=request, wall_s=stamped.wall_s, refused_by=rules, reason=reason)
            )
        case AdmittedRecord(operation=operation):
            under_way[operation.operation] = len(operations)
            operations.append(JournalledOperation(request=operation.operation, wall_s=stamped.wall_s, asked=operation))
        case UnheldRecord(operation=name, runs=runs):
            place = under_way.get(name)
            if place is not None:
                operations[place] = replace(operations[place], resumed=(*operations[place].resumed, runs))
        case EndedRecord(ended=ended, edges=edges):
            place = under_way.pop(ended.operation, None)
            if place is not None:
                operations[place] = replace(operations[place], edges=edges, ended=ended, reason=ended.reason)
        case _:
            pass  # what happened to lines and clocks, not to operations
