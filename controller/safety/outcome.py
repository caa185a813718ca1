"""What an operation leaves behind: deliveries, switching times, ethanol to book, and what its lines hold now."""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from controller.model.labels import label_in
from controller.model.messages import Delivery, Ended
from controller.model.plan import Interval, Operation
from controller.model.states import OperationKind, Outcome, StopCause
from controller.model.sums import summed
from controller.safety.admission import Situation
from controller.safety.case import timeline
from controller.safety.contents import crashed, moved
from controller.safety.figures import ETHANOL_G_ML, tube_ml
from controller.safety.progress import Progress
from controller.safety.records import AdmittedRecord, EndedRecord, LineState, Memory, UnheldRecord
from controller.safety.vessel import counts

# After a crash the channels may have stayed on until the sentinel or the boot service drove them off.
OVERRUN_S = 1.0
RESTARTED: StopCause = "restart"
DIGITS = 6  # microlitres and microseconds are enough; more would only wear the card


class Ending(NamedTuple):
    """How an operation ends: why in a sentence, and as a word (a StopCause, or the cause of a fault)."""

    outcome: Outcome
    reason: str = ""
    cause: str = ""


def ended(progress: Progress, ending: Ending, now: Situation) -> EndedRecord:
    """The record of an operation whose channels are all off."""
    figures, operation = now.figures(), progress.operation
    worst = figures.upper_by_line_ml(progress.done)
    # What a line gave whose container ran empty meanwhile is not known: at most the worst.
    drained = {line: worst_ml for line, worst_ml in worst.items() if line in progress.drained}
    delivered = dict(figures.by_line_ml(progress.done)) | drained
    deliveries = _deliveries(now, operation, delivered, worst, _on_s(progress.done))
    first_s = now.now_s if progress.first_s is None else progress.first_s
    ended_event = Ended(
        operation=operation.operation,
        kind=operation.kind,
        outcome=ending.outcome,
        reason=ending.reason,
        cause=ending.cause,
        deliveries=deliveries,
    )
    lines = _lines_after(progress, now)
    return EndedRecord(
        ended=ended_event,
        ethanol_g=_ethanol_g(operation, deliveries, now),
        volume_ml=sum(one.worst_ml for one in deliveries),
        began_s=now.credited_s - (now.now_s - first_s),
        edges=tuple((edge.line, edge.is_on, round(edge.at_s - first_s, 6)) for edge in progress.switched),
        lines=lines,
        takes_ml=sum(segment.takes_ml for segment in operation.segments[: progress.segment + progress.is_begun]),
        funnel_chemical=_left_in_funnel(
            [now.state(line) for line in sorted({run.line for run in progress.done})], lines
        ),
    )


def interrupted(memory: Memory, now: Situation) -> EndedRecord | None:
    """The record of an operation that a crash of the guard cut short; None when there was none.

    Nothing is known of how far it came: every line counts as having run to its end, and on until it was driven off.
    """
    record = memory.unfinished
    if record is None:
        return None
    operation = record.operation
    known = {line.line for line in now.profile.lines}
    runs = [run for run in worst_runs(record, memory.resumed) if run.line in known]
    late = [Interval(line=line, start_s=0.0, end_s=OVERRUN_S) for line in sorted({run.line for run in runs})]
    worst = now.figures().upper_by_line_ml([*runs, *late])
    deliveries = _deliveries(now, operation, worst, worst, _on_s([*runs, *late]))
    longest_s = max((one.on_s for one in deliveries), default=0.0)
    before = [memory.line(line) for line in sorted({run.line for run in runs})]
    lines = tuple(
        crashed(state, operation.kind, label_in(now.book, state.assigned), in_air=operation.in_air) for state in before
    )
    return EndedRecord(
        ended=Ended(
            operation=operation.operation,
            kind=operation.kind,
            outcome=Outcome.ABORTED,
            reason="guard restarted",
            cause=RESTARTED,
            deliveries=deliveries,
        ),
        ethanol_g=_ethanol_g(operation, deliveries, now),
        volume_ml=sum(one.worst_ml for one in deliveries),
        began_s=now.credited_s - longest_s,
        edges=tuple(edge for one in deliveries for edge in ((one.line, True, 0.0), (one.line, False, one.on_s))),
        lines=lines,
        takes_ml=sum(segment.takes_ml for segment in operation.segments),
        funnel_chemical=_left_in_funnel(before, lines),
    )


def worst_runs(record: AdmittedRecord, resumed: tuple[UnheldRecord, ...]) -> list[Interval]:
    """Every run that the guard ever allowed for this operation, as if all had been made in full."""
    runs = list(timeline(record.operation))
    for unheld in resumed:
        runs += [Interval(line=run.line, start_s=0.0, end_s=run.most_s) for run in unheld.runs]
    return runs


def _on_s(runs: list[Interval]) -> dict[int, float]:
    return summed((run.line, run.on_s) for run in runs)


def _deliveries(
    now: Situation,
    operation: Operation,
    delivered_ml: Mapping[int, float],
    worst_ml: Mapping[int, float],
    on_s: Mapping[int, float],
) -> tuple[Delivery, ...]:
    asked: dict[int, tuple[str, float]] = {}
    for segment in operation.segments:
        for run in segment.runs:
            asked[run.line] = (run.liquid, asked.get(run.line, ("", 0.0))[1] + run.volume_ml)
    for line in worst_ml.keys() & set(operation.standby):  # it took over
        asked[line] = (now.state(line).assigned or "", 0.0)
    return tuple(
        Delivery(
            line=line,
            liquid=liquid,
            asked_ml=asked_ml,
            delivered_ml=round(delivered_ml.get(line, 0.0), DIGITS),
            worst_ml=round(worst_ml.get(line, 0.0), DIGITS),
            on_s=round(on_s.get(line, 0.0), DIGITS),
        )
        for line, (liquid, asked_ml) in sorted(asked.items())
    )


def _ethanol_g(operation: Operation, deliveries: tuple[Delivery, ...], now: Situation) -> float:
    """Ethanol that goes into a glass by the upper bound of every delivery (g)."""
    if not counts(operation):
        return 0.0
    return sum(one.worst_ml * now.strength(one.line) * ETHANOL_G_ML for one in deliveries)


def _left_in_funnel(before: Iterable[LineState], changed: tuple[LineState, ...]) -> bool | None:
    """Whether lines that have moved left cleaner in the funnel; None when they had none in them, before or after.

    A rinse that is complete has sent water after it; nothing else takes it away.
    """
    after = {state.line: state for state in changed}
    pairs = [(state, after.get(state.line, state)) for state in before]
    chemical = [now.chemical for was, now in pairs if was.chemical or now.chemical]
    return any(chemical) if chemical else None


def _lines_after(progress: Progress, now: Situation) -> tuple[LineState, ...]:
    kind = progress.operation.kind
    volumes = {OperationKind.RINSE: now.profile.hygiene.rinse_line_volumes}.get(kind, 1)
    changed = []
    for line, least_ml in now.figures().lower_by_line_ml(progress.done).items():
        if line in progress.drained:
            continue  # it is on record as empty since somebody said so
        before = now.state(line)
        after = moved(
            before,
            kind,
            least_ml=least_ml,
            enough_ml=volumes * tube_ml(now.profile.line(line)),
            label=label_in(now.book, before.assigned),
            now=now.moment,
            in_air=progress.operation.in_air,
        )
        if after != before:
            changed.append(after)
    return tuple(changed)
