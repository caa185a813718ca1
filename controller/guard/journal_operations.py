"""Reads a journal back: operations (asked, refused, switched, ended), and what befell the guard between them."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import msgspec

from controller.ledger.journal_reading import JournalReading
from controller.model.messages import Ended
from controller.model.plan import Operation, PlannedRun
from controller.model.scale import ScaleSetting
from controller.safety.records import (
    AcknowledgedRecord,
    AdmittedRecord,
    BookRead,
    CapChanged,
    CapFigure,
    EndedRecord,
    FaultRecord,
    Record,
    RefusedRecord,
    ScaleRecord,
    Stamped,
    UnheldRecord,
)

_decoder = msgspec.json.Decoder(list[Stamped])


@dataclass(frozen=True, kw_only=True)
class JournalledOperation:
    """One operation, or one request that was refused.

    edges: line, on, seconds after the first start. `ended` is None while it is under way, when it was refused, and when
    the guard was interrupted and has not started since.
    """

    request: str
    wall_s: float  # when it was asked, Unix seconds
    entry: int = 0  # number of the journal's entry
    refused_by: tuple[str, ...] = ()
    reason: str = ""
    asked: Operation | None = None
    resumed: tuple[tuple[PlannedRun, ...], ...] = ()  # runs that it went on with, hold by hold
    edges: tuple[tuple[int, bool, float], ...] = ()
    ended: Ended | None = None


@dataclass(frozen=True, kw_only=True)
class Happening:
    """A cap or a figure of the book that changed, a fault that came or was acknowledged, the scale set; a sentence."""

    wall_s: float
    entry: int
    text: str


@dataclass(frozen=True, kw_only=True)
class JournalOperations:
    """Every operation in a journal and what happened besides, oldest first; and what cannot be read."""

    operations: tuple[JournalledOperation, ...]
    happenings: tuple[Happening, ...]
    damage: tuple[str, ...]

    def last(self, limit: int) -> "JournalOperations":
        """The same with the latest `limit` operations and happenings."""
        kept = self.in_order()[-limit:]
        return replace(
            self,
            operations=tuple(one for one in kept if isinstance(one, JournalledOperation)),
            happenings=tuple(one for one in kept if isinstance(one, Happening)),
        )

    def in_order(self) -> list["JournalledOperation | Happening"]:
        """All of them as they were written; what one entry holds of both, operations first."""
        return sorted((*self.operations, *self.happenings), key=lambda one: one.entry)


def operations_in(reading: JournalReading) -> JournalOperations:
    """Everything in a journal that was asked of the guard, and what came of it."""
    damage = list(reading.damage)
    operations: list[JournalledOperation] = []
    happenings: list[Happening] = []
    under_way: dict[str, int] = {}  # operation -> its place in the list
    for entry in reading.entries:
        try:
            records = _decoder.decode(entry.body)
        except msgspec.MsgspecError as problem:
            damage.append(f"entry {entry.number} is not understood: {problem}")
            continue
        for stamped in records:
            _take(stamped, entry.number, operations, under_way)
            happenings += [
                Happening(wall_s=stamped.wall_s, entry=entry.number, text=text) for text in _texts(stamped.record)
            ]
    return JournalOperations(operations=tuple(operations), happenings=tuple(happenings), damage=tuple(damage))


def _texts(record: Record) -> Iterator[str]:
    match record:
        case CapChanged(cap=cap, old=old, new=new):
            yield f"cap {cap} changed: {_figure(old)} -> {_figure(new)}"
        case BookRead(title=title, changed=changed):
            for one in changed:
                yield f"book {title}: {one.of}, {one.figure} changed: {one.old} -> {one.new}"
        case FaultRecord(fault=fault):
            yield f"fault latched, {fault.cause}: {fault.text}"
        case AcknowledgedRecord(cause=cause):
            yield f"fault acknowledged, {cause}"
        case ScaleRecord(setting=setting):
            yield f"scale set: zero {setting.zero_counts:.0f} counts, {_span(setting)}"
        case _:
            pass


def _span(setting: ScaleSetting) -> str:
    span = setting.span
    if span is None:
        return "no span"
    return f"{span.counts_per_g:.2f} counts/g +- {200 * span.u_fraction:.2f} % with {span.mass_g:g} g"


def _figure(cap: CapFigure) -> str:
    return "none" if cap is None else f"{cap:g}" if isinstance(cap, float) else str(cap)


def _take(stamped: Stamped, entry: int, operations: list[JournalledOperation], under_way: dict[str, int]) -> None:
    match stamped.record:
        case RefusedRecord(request=request, rules=rules, reason=reason):
            operations.append(
                JournalledOperation(
                    request=request, wall_s=stamped.wall_s, entry=entry, refused_by=rules, reason=reason
                )
            )
        case AdmittedRecord(operation=operation):
            under_way[operation.operation] = len(operations)
            operations.append(
                JournalledOperation(request=operation.operation, wall_s=stamped.wall_s, entry=entry, asked=operation)
            )
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
