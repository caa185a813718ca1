"""Facts as people see them: status, plan, an operation on record."""

from collections.abc import Callable, Collection, Mapping, Sequence

from msgspec.structs import replace

from controller.engine.scaling import ScaledServing
from controller.ledger.records import REFUSED, Container, Entry
from controller.metering.mixture import Mixture
from controller.model.book import Book
from controller.model.fields import like
from controller.model.labels import Label
from controller.model.messages import LineReport, Refusal, Report
from controller.model.plan import PlannedRun, Segment
from controller.model.profile import Profile
from controller.model.remark import Remark, said
from controller.model.states import Contents, Outcome
from controller.model.views import (
    Due,
    JogView,
    LineName,
    LineProgress,
    LineView,
    Names,
    OperationView,
    PlanView,
    Status,
)
from controller.sequencing.plan import Plan, limits

Steps = tuple[tuple[float, float], ...]

CALIBRATE = "calibrate it"
DRIFTED = "it has drifted, see tundish calibration {}"
NEXT: Mapping[Contents, tuple[Due, str]] = {
    Contents.EMPTY: ("prime", "prime it"),
    Contents.UNKNOWN: ("unknown", "purge it, then clean and rinse it"),
    Contents.CLEANER: ("rinse", "rinse it"),
    Contents.RINSE_WATER: ("prime", "prime it"),
}


def status(
    profile: Profile,
    book: Book,
    report: Report | None,
    containers: Mapping[int, Container],
    *,
    overdue: Mapping[int, tuple[Remark, ...]],
    jogs: Sequence[JogView],
    operation: OperationView | None,
    doubts: tuple[str, ...] = (),
    has_drifted: Collection[int] = (),
) -> Status:
    """The machine at a glance; `report` is None while the guard cannot be reached. overdue: line -> reasons."""
    reports = {} if report is None else {one.line: one for one in report.lines}
    is_right = {one.line: one.is_right for one in jogs}
    lines = tuple(
        _line(
            line.line,
            reports.get(line.line),
            containers.get(line.line),
            overdue.get(line.line, ()),
            is_right=is_right.get(line.line),
        )
        for line in profile.lines
    )
    rests = report is not None and report.fault is None and (operation is None or operation.outcome is not None)
    return Status(
        machine=profile.machine,
        book=book.title,
        guard_connected=report is not None,
        state=None if report is None else report.state,
        fault=None if report is None else report.fault,
        operation=operation,
        lines=tuple(_drifted(one) if one.line in has_drifted and not one.note else one for one in lines),
        next_step=_next_step(lines, is_right) if rests else "",
        inputs=None if report is None else report.inputs,
        doubts=doubts,
        scale=None if report is None else report.scale,
    )


def _drifted(line: LineView) -> LineView:
    return replace(line, note=DRIFTED.format(line.line), due="drift")


def names(book: Book, profile: Profile, reports: Mapping[int, LineReport]) -> Names:
    """What requests may name; reports: line -> what the guard says of it."""
    hung = {one.line: one.liquid for one in reports.values()}
    return Names(
        recipes=tuple(one.recipe for one in book.recipes),
        glasses=tuple(one.glass for one in book.glasses),
        liquids=tuple(one.liquid for one in book.liquids),
        lines=tuple(LineName(line=one.line, liquid=hung.get(one.line)) for one in profile.lines),
    )


def plan(
    profile: Profile,
    served: ScaledServing,
    planned: Plan,
    mixture: Mixture,
    *,
    binding: str,
    too_slow: str,
    refused: tuple[Refusal, ...],
    within_ml: Mapping[int, float],
    last_alone_s: float | None,
) -> PlanView:
    """A serving's plan with its traces of current and combined flow over all segments end to end."""
    bounds = limits(profile)
    return like(
        PlanView,
        served,
        planned,
        mixture,
        volume_ml=mixture.poured_ml,
        binding=binding,
        too_slow=too_slow,
        refused=refused,
        within_ml=within_ml,
        last_alone_s=last_alone_s,
        current_limit_a=bounds.current_a,
        flow_limit_ml_s=bounds.flow_ml_s,
        current_a=_trace(planned.segments, lambda run, age_s: _current_a(profile, run, age_s), _breaks(profile)),
        flow_ml_s=_trace(planned.segments, lambda run, _: run.volume_ml / run.duration_s, _ends),
    )


def booked(entry: Entry) -> OperationView:
    """An operation on record."""
    return like(
        OperationView,
        entry,
        admitted=entry.outcome != REFUSED,
        refused=entry.refusals,
        waiting_for=None,
        outcome=None if entry.outcome in (None, REFUSED) else Outcome(entry.outcome),
        lines=tuple(
            like(LineProgress, one, is_on=False, at_most=one.is_at_most, weighed=entry.doses.get(one.line))
            for one in entry.deliveries
        ),
        elapsed_s=max((one.on_s for one in entry.deliveries), default=0.0),
        planned_s=0.0,
    )


def _next_step(lines: Sequence[LineView], is_right: Mapping[int, bool | None]) -> str:
    """The command that brings the machine on, in the order of its life; "" when every line needs another remedy."""
    wrong = [one.line for one in lines if is_right.get(one.line) is False]
    unseen = [one.line for one in lines if is_right.get(one.line) is None and one.contents == Contents.EMPTY]
    empty = [one.line for one in lines if one.contents == Contents.EMPTY and one.liquid is not None]
    uncalibrated = [one.line for one in lines if one.note == CALIBRATE]
    if wrong:
        return f"tundish jog {wrong[0]}"
    if any(one.calibration is None for one in lines if one.line in unseen):
        return f"tundish jog {unseen[0]}"
    if empty:
        return f"tundish prime {' '.join(map(str, empty))}"
    if uncalibrated:
        return f"tundish calibrate {uncalibrated[0]}"
    return "tundish menu" if not any(one.note for one in lines) else "tundish hygiene"


def held_label(line: int, label: Label) -> str:
    """What the books before say of a liquid that is on this line, or in it."""
    figures = [f"{label.abv_percent:g} % vol"]
    if label.allergens:
        figures.append(f"allergens {', '.join(label.allergens)}")
    if label.opened_life_s is not None:
        figures.append(f"keeps {label.opened_life_s / 3600:g} h")
    if label.care is not None:
        figures.append(f"care {label.care}")
    return (
        f"line {line}: its {label.liquid} was there before this book, and counts with the stricter of its figures: "
        f"{', '.join(figures)}. When another container hangs there: tundish assign, then purge the line; "
        "allergens and care stay until it is cleaned."
    )


def _line(
    line: int,
    report: LineReport | None,
    container: Container | None,
    overdue: tuple[Remark, ...],
    *,
    is_right: bool | None,
) -> LineView:
    remaining_ml = None if container is None else container.remaining_ml
    if report is None:
        liquid, note = None if container is None else container.liquid, "the guard cannot be reached"
        unknown = LineReport(line=line, liquid=liquid, contents=Contents.UNKNOWN, holds=None, is_on=False)
        return like(LineView, unknown, remaining_ml=remaining_ml, note=note, due="guard")
    reasons = tuple(replace(one, text=one.text.removeprefix(f"line {line}: ")) for one in overdue)
    due, note = _due(report, reasons, is_right=is_right)
    shown = reasons if due in ("care", "assign") else ()
    return like(LineView, report, remaining_ml=remaining_ml, note=note, due=due, reasons=shown)


def _due(report: LineReport, reasons: tuple[Remark, ...], *, is_right: bool | None) -> tuple[Due, str]:
    """What a line needs next, as a word and in words."""
    if is_right is False:
        return "wiring", "it moved wrong: put its wiring right and jog it"
    if report.liquid is None:
        return "assign", said(reasons) or f"say what hangs there: tundish assign {report.line} LIQUID CONTAINER"
    if report.contents == Contents.LIQUID and report.holds != report.liquid:
        return "foreign", f"it still holds {report.holds}: purge, clean and rinse it"
    if reasons:
        return "care", said(reasons)
    if report.contents in NEXT:
        return NEXT[report.contents]
    if report.calibration is None or report.calibration.liquid != report.liquid:
        return "calibrate", CALIBRATE
    return "", ""


def _current_a(profile: Profile, run: PlannedRun, age_s: float) -> float:
    pump = profile.line(run.line).pump
    # The last step of the inrush may come out a rounding error early.
    return pump.inrush_a if age_s < pump.inrush_s - 1e-9 else pump.run_a


def _breaks(profile: Profile) -> Callable[[PlannedRun], tuple[float, ...]]:
    def of_run(run: PlannedRun) -> tuple[float, ...]:
        inrush_s = min(profile.line(run.line).pump.inrush_s, run.duration_s)
        return (run.start_s, run.start_s + inrush_s, run.start_s + run.duration_s)

    return of_run


def _ends(run: PlannedRun) -> tuple[float, ...]:
    return (run.start_s, run.start_s + run.duration_s)


def _trace(
    segments: tuple[Segment, ...],
    value: Callable[[PlannedRun, float], float],
    breaks: Callable[[PlannedRun], tuple[float, ...]],
) -> Steps:
    """Sum of value(run, age s) over the runs that are on, as (s, value) steps."""
    steps, offset_s = [], 0.0
    for segment in segments:
        times = sorted({at_s for run in segment.runs for at_s in breaks(run)})
        for at_s in times:
            on = [run for run in segment.runs if run.start_s <= at_s < run.start_s + run.duration_s]
            steps.append((offset_s + at_s, sum(value(run, at_s - run.start_s) for run in on)))
        offset_s += times[-1] if times else 0.0
    return tuple(steps)
