"""Memory as a fold over records: the running guard and the replay of its journal go through the same lines."""

from collections.abc import Iterable, Iterator, Mapping
from functools import reduce
from typing import TypeVar

from msgspec.structs import replace

from controller.model.calibration import Calibration
from controller.model.plan import Interval, PlannedRun
from controller.model.states import OperationKind
from controller.safety import vessel
from controller.safety.glass import UNSEEN, GlassState, after
from controller.safety.records import (
    AcknowledgedRecord,
    AdmittedRecord,
    BookRead,
    CalibrationDropped,
    CalibrationRecord,
    CapChanged,
    ClockRecord,
    EndedRecord,
    FaultRecord,
    GlassRecord,
    LearnedRecord,
    LineRecord,
    LineState,
    Lost,
    Memory,
    Moment,
    Note,
    RefusedRecord,
    ScaleRecord,
    Serving,
    Stamped,
    Started,
    UnheldRecord,
)
from controller.safety.vessel import Poured, Vessel

HOUR_S = 3600.0
Numbered = TypeVar("Numbered", Calibration, Interval, PlannedRun)
SEEN = 200  # operation ids remembered against repeated messages


def credited_s(memory: Memory, mono_s: float) -> float:
    """The credited clock at mono_s of the present boot."""
    return memory.credited_s + max(0.0, mono_s - memory.mono_s)


def replay(stamped: Iterable[Stamped], memory: Memory | None = None) -> Memory:
    """The memory that follows from these records, oldest first."""
    return reduce(apply, stamped, memory or Memory())


def apply(memory: Memory, stamped: Stamped) -> Memory:
    """The memory after one more record."""
    record = stamped.record
    if isinstance(record, Memory):
        return record
    memory = _advance(memory, stamped)
    match record:
        case Started():
            return _started(memory, record)
        case BookRead(labels=labels, glasses=glasses, lines=lines):
            return replace(memory, labels=labels, glasses=glasses, lines=_with(memory.lines, lines))
        case AdmittedRecord() | UnheldRecord() | EndedRecord():
            return _operated(memory, record)
        case GlassRecord(set_down=source):
            return replace(memory, glass=replace(memory.glass or UNSEEN, set_down=source))
        case LineRecord(state=state):
            return replace(memory, lines=_with(memory.lines, (state,)))
        case CalibrationRecord() | CalibrationDropped() | LearnedRecord():
            return replace(memory, calibrations=tuple(_calibrations(memory, record)))
        case ScaleRecord(setting=setting):
            return replace(memory, scale=setting)
        case FaultRecord() | AcknowledgedRecord():
            return _fault(memory, record)
        case Lost(lines=lines, servings=servings, funnel_chemical=chemical):
            servings = (*memory.servings, *servings)
            memory = replace(memory, lines=_with(memory.lines, lines), servings=servings, funnel_chemical=chemical)
            return replace(memory, fault=None, glass=UNSEEN)
        case CapChanged() | RefusedRecord() | ClockRecord() | Note():
            return memory


def _calibrations(
    memory: Memory, record: CalibrationRecord | CalibrationDropped | LearnedRecord
) -> Iterator[Calibration]:
    if isinstance(record, LearnedRecord):
        yield from map(record.of, memory.calibrations)
        return
    of = record.calibration if isinstance(record, CalibrationRecord) else record
    yield from (one for one in memory.calibrations if (one.line, one.liquid) != (of.line, of.liquid))
    if isinstance(record, CalibrationRecord):
        yield record.calibration


def _operated(memory: Memory, record: AdmittedRecord | UnheldRecord | EndedRecord) -> Memory:
    match record:
        case AdmittedRecord():
            return _admitted(memory, record)
        case UnheldRecord():
            return _unheld(memory, record)
        case EndedRecord():
            return _ended(memory, record)


def _advance(memory: Memory, stamped: Stamped) -> Memory:
    record, credited = stamped.record, memory.credited_s
    latest = memory.latest or Moment(credited_s=credited, wall_s=memory.wall_s)
    if not isinstance(record, Started) or record.boot == memory.boot:
        credited += max(0.0, stamped.mono_s - memory.mono_s)
    elif memory.boot:
        # Another boot: the monotonic clock began anew, and only the wall clock can tell how long the pause was.
        credited = max(credited, latest.credited_s + stamped.wall_s - latest.wall_s)
    if stamped.wall_s > latest.wall_s or not memory.boot:
        latest = Moment(credited_s=credited, wall_s=stamped.wall_s)
    return replace(memory, mono_s=stamped.mono_s, wall_s=stamped.wall_s, credited_s=credited, latest=latest)


def _started(memory: Memory, record: Started) -> Memory:
    """What a pump has done goes with it to its new number."""
    now = dict(record.renumbered)
    taken = set(now.values()) - now.keys()
    staying = (state for state in memory.lines if state.line not in now)
    unfinished = memory.unfinished
    if unfinished is not None:
        operation = unfinished.operation
        segments = tuple(replace(one, runs=_renumbered(one.runs, now)) for one in operation.segments)
        standby = tuple(now.get(line, line) for line in operation.standby)
        unfinished = replace(unfinished, operation=replace(operation, segments=segments, standby=standby))
    return replace(
        memory,
        boot=record.boot,
        caps=record.caps,
        lines=_with(tuple(staying), record.lines),
        removed=record.removed,
        calibrations=_renumbered((one for one in memory.calibrations if one.line not in taken), now),
        on_times=_renumbered((one for one in memory.on_times if one.line not in taken), now),
        unfinished=unfinished,
        resumed=tuple(replace(one, runs=_renumbered(one.runs, now)) for one in memory.resumed),
    )


def _renumbered(things: Iterable[Numbered], now: Mapping[int, int]) -> tuple[Numbered, ...]:
    return tuple(replace(one, line=now.get(one.line, one.line)) for one in things)


def _with(lines: tuple[LineState, ...], changed: tuple[LineState, ...]) -> tuple[LineState, ...]:
    by_number = {state.line: state for state in (*lines, *changed)}
    return tuple(by_number[number] for number in sorted(by_number))


def _admitted(memory: Memory, record: AdmittedRecord) -> Memory:
    servings = memory.servings
    if counts_in_hour(record):
        is_serving = record.operation.kind is OperationKind.SERVE
        new = Serving(at_s=memory.credited_s, ethanol_g=record.ethanol_g, is_serving=is_serving)
        servings = (*_within_hour(memory), new)
    seen = (*memory.seen, record.operation.operation)[-SEEN:]
    is_other = record.fresh and record.operation.rest_of is None  # the rest goes into the glass that was lifted
    before = Vessel() if is_other else memory.vessel
    under_outlet = vessel.admitted(before, record.operation, _poured(record))
    return replace(memory, unfinished=record, resumed=(), servings=servings, seen=seen, vessel=under_outlet)


def _fault(memory: Memory, record: FaultRecord | AcknowledgedRecord) -> Memory:
    if isinstance(record, FaultRecord):
        return replace(memory, fault=memory.fault or record.fault)
    # Whatever the first cause was, a channel may not have obeyed and may have poured until now.
    last_s = None if memory.last_serving_s is None else memory.credited_s
    glass = None if memory.glass is None else replace(memory.glass, set_down=None)
    return replace(memory, fault=None, last_serving_s=last_s, glass=glass)


def counts_in_hour(record: AdmittedRecord) -> bool:
    """Whether it stands in the rolling hour: every serving, and whatever else brings ethanol into a glass."""
    is_serving = record.operation.kind is OperationKind.SERVE
    return is_serving or (vessel.counts(record.operation) and record.ethanol_g > 0)


def booked(memory: Memory) -> Poured:
    """What is booked for the operation under way."""
    latest = memory.resumed[-1] if memory.resumed else memory.unfinished
    return Poured() if latest is None else _poured(latest)


def _poured(record: AdmittedRecord | UnheldRecord | EndedRecord) -> Poured:
    return Poured(volume_ml=record.volume_ml, ethanol_g=record.ethanol_g)


def _unheld(memory: Memory, record: UnheldRecord) -> Memory:
    memory = _rebooked(memory, _poured(record))
    return replace(memory, resumed=(*memory.resumed, record))


def _ended(memory: Memory, record: EndedRecord) -> Memory:
    memory = _rebooked(memory, _poured(record))
    last = memory.credited_s if record.ended.kind is OperationKind.SERVE else memory.last_serving_s
    window_s = (memory.caps or {}).get("duty_window_s")
    oldest_s = memory.credited_s - (window_s if isinstance(window_s, float | int) else HOUR_S)
    on_times = tuple(one for one in (*memory.on_times, *_on_times(record)) if one.end_s > oldest_s)
    return replace(
        memory,
        unfinished=None,
        resumed=(),
        last_serving_s=last,
        on_times=on_times,
        lines=_with(memory.lines, record.lines),
        funnel_chemical=memory.funnel_chemical if record.funnel_chemical is None else record.funnel_chemical,
        last_ended=record.ended,
        glass=_glass(memory, record),
    )


def _glass(memory: Memory, record: EndedRecord) -> GlassState | None:
    operation = memory.unfinished.operation if memory.unfinished is not None else None
    before = memory.glass or GlassState(set_down="contact" if memory.is_glass_fresh else None)
    return after(before, operation, record.ended, takes_ml=record.takes_ml)


def _on_times(record: EndedRecord) -> list[Interval]:
    """When which pump ran, on the credited clock."""
    since: dict[int, float] = {}
    found = []
    for line, is_on, at_s in record.edges:
        if is_on:
            since[line] = record.began_s + at_s
        elif line in since:
            found.append(Interval(line=line, start_s=since.pop(line), end_s=record.began_s + at_s))
    return found


def _within_hour(memory: Memory) -> tuple[Serving, ...]:
    return tuple(one for one in memory.servings if one.at_s > memory.credited_s - HOUR_S)


def _rebooked(memory: Memory, poured: Poured) -> Memory:
    """With what the operation under way pours set anew: under the outlet, and in the hour, where it counts from now."""
    under_way = memory.unfinished
    if under_way is None:
        return memory
    servings = memory.servings
    if counts_in_hour(under_way) and servings:
        servings = (*servings[:-1], replace(servings[-1], at_s=memory.credited_s, ethanol_g=poured.ethanol_g))
    under_outlet = vessel.rebooked(memory.vessel, under_way.operation, booked(memory), poured)
    return replace(memory, servings=servings, vessel=under_outlet)
