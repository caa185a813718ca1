"""Whether the smaller requests may be granted: going on after a hold, a new calibration, another container."""

import dataclasses
from collections.abc import Iterator

from msgspec.structs import replace

from controller.model.book import Book
from controller.model.calibration import Calibration
from controller.model.messages import Assign, ConfirmJug, Refusal, TakeCalibration, TakeScale, Unhold
from controller.model.plan import Interval, Operation, Segment
from controller.model.profile import Line
from controller.model.scale import Scale, Span
from controller.model.scale_datagram import MOST_COUNTS
from controller.model.states import Contents
from controller.safety.admission import Situation, case_of
from controller.safety.caps import violations
from controller.safety.case import Case, PastUse, timeline
from controller.safety.input_rules import blocked, refuse, vessel
from controller.safety.memory import booked, counts_in_hour
from controller.safety.progress import Progress
from controller.safety.shape import no_windows, runs_shape

# What any figure of a calibration must lie within for its squares to mean something; the bands of pump and profile are
# far narrower. Flow as in the profile's own type, the rest in proportion; no source.
POSSIBLE = {
    "flow_ml_s": (-200.0, 200.0), "lag_s": (-60.0, 60.0), "sag_per_a": (-10.0, 10.0), "cov_flow_lag": (-1e4, 1e4),
    "u_flow_ml_s": (0.0, 200.0), "u_lag_s": (0.0, 60.0), "u_sag_per_a": (0.0, 10.0), "scatter_ml": (0.0, 1e3),
    "scatter_fraction": (0.0, 1.0), "scatter_dof": (0.0, 1e9),
}  # fmt: skip
LONGEST_OPEN_S = 3.2e8  # ten years; no container was opened longer ago than this
MOST_SAG_PER_A = 0.1  # a supply that loses more than 10 % of the flow per ampere is wired wrong; no source

MOST_U_SPAN = 0.05  # a span known no better is none; no source
LEAST_AT_CAPACITY = 1000.0  # counts at a cell's capacity; a bridge of 1 mV/V makes some 10^6


def unhold(command: Unhold, progress: Progress, now: Situation) -> list[Refusal]:
    """Everything that speaks against going on with these runs, what was already done counted in."""
    request = command.operation
    present = progress.operation.segments[progress.segment]
    malformed = list(runs_shape(request, Segment(runs=command.runs), now.profile))
    malformed += no_windows(request, progress.operation.kind, command.runs)
    if malformed:
        return malformed
    foreign = sorted({(run.line, run.liquid) for run in command.runs} - _may_pour(present, progress.operation, now))
    if foreign:
        named = ", ".join(f"{liquid} from line {line}" for line, liquid in foreign)
        reason = f"{named}: no part of the segment that is held."
        return [refuse(request, "plan", reason, remedy="Ask only for what is left of it.")]
    refusals = [*blocked(request, now.inputs), *(vessel(request, now.inputs) if progress.is_serving else ())]
    for line in sorted({run.line for run in command.runs} & progress.drained):
        remedy = "Stop, hang a full container, prime the line, then pour anew."
        refusals.append(refuse(request, "contents", f"the tube of line {line} may hold air.", remedy=remedy))
    for line in sorted({run.line for run in command.runs} & set(now.inputs.low_lines)):
        remedy = "Hang a full container on it."
        refusals.append(refuse(request, "level", f"the container on line {line} is low.", remedy=remedy))
    return refusals + violations(case_of_rest(command, progress, now))


def _may_pour(present: Segment, operation: Operation, now: Situation) -> set[tuple[int, str | None]]:
    """(line, liquid) of what the segment held may be poured from: its own lines, and admitted ones with its liquids."""
    liquids = {run.liquid for run in present.runs}
    elsewhere = {(run.line, run.liquid) for segment in operation.segments for run in segment.runs}
    standby = {(line, now.state(line).assigned) for line in operation.standby}
    return {(line, liquid) for line, liquid in elsewhere | standby if liquid in liquids}


def remaining(command: Unhold, progress: Progress) -> Operation:
    """What is left of a held operation when `runs` stand for the rest of its present segment."""
    later = progress.operation.segments[progress.segment + 1 :]
    return replace(progress.operation, segments=(Segment(runs=command.runs), *later))


def case_of_rest(command: Unhold, progress: Progress, now: Situation) -> Case:
    """A held operation as the caps see it: what it has done, and what would come."""
    case = case_of(progress.operation, now)
    before = tuple(
        Interval(line=run.line, start_s=run.start_s - now.now_s, end_s=run.end_s - now.now_s) for run in progress.done
    )
    rest = remaining(command, progress)
    asked = dataclasses.replace(
        case.asked,
        runs=timeline(rest),
        planned=timeline(rest, as_planned=True),
        before=before,
        spent_s=progress.spent_s,
    )
    # What is booked for it must not count twice.
    memory, own = now.memory, booked(now.memory)
    is_in_hour = memory.unfinished is not None and counts_in_hour(memory.unfinished)
    history = PastUse(
        servings=memory.servings[:-1] if is_in_hour else memory.servings,
        on_times=memory.on_times,
        last_serving_s=None,
        in_glass=memory.vessel.in_glass.less(own),
        jug_ml=now.jug_ml + own.volume_ml,
    )
    return dataclasses.replace(case, asked=asked, history=history)


def confirm_jug(command: ConfirmJug, now: Situation) -> list[Refusal]:
    """Everything that speaks against pouring into a jug of this volume."""
    most_ml = now.profile.hygiene.jug_ml
    if 0 < command.volume_ml <= most_ml:  # false for NaN, too
        return []
    reason = f"a jug of {command.volume_ml:.0f} mL: the profile's jug takes {most_ml:.0f} mL."
    remedy = "Pour in several steps, or state the larger jug in the profile and restart the guard."
    return [refuse("confirm_jug", "jug", reason, allowed=f"up to {most_ml:.0f} mL", remedy=remedy)]


def take_calibration(command: TakeCalibration, now: Situation) -> list[Refusal]:
    """Everything that speaks against taking over this calibration."""
    return list(_calibration(command, now))


def absurd(one: Calibration) -> str:
    """The figure that no pump can have, with which nobody could reckon; "" when there is none."""
    for name, (low, high) in POSSIBLE.items():
        value = getattr(one, name)
        if not low <= value <= high:
            return f"{name} of line {one.line} is {value:g}: it must lie between {low:g} and {high:g}."
    return ""


def _calibration(command: TakeCalibration, now: Situation) -> Iterator[Refusal]:
    new, request = command.calibration, "take_calibration"
    if wrong := absurd(new):
        yield refuse(request, "calibration", wrong, remedy="Calibrate again.")
        return
    line = next((one for one in now.profile.lines if one.line == new.line), None)
    if line is None:
        yield refuse(request, "calibration", f"the profile has no line {new.line}.")
        return
    if new.liquid not in {one.liquid for one in now.book.liquids}:
        yield refuse(request, "calibration", f"the book has no liquid {new.liquid!r}.")
    yield from _band(new, line, now)


def _band(new: Calibration, line: Line, now: Situation) -> Iterator[Refusal]:
    """How far the figures lie from what such a pump can do."""
    request = "take_calibration"
    band, flow = now.profile.calibration, now.profile.flow_band(line.line)
    if not flow.least_ml_s <= new.flow_ml_s <= flow.most_ml_s:
        yield refuse(
            request,
            "calibration_flow",
            f"a flow of {new.flow_ml_s:.3f} mL/s is outside what the profile states for the pump of line {line.line} "
            f"(nominal {line.pump.nominal_flow_ml_s:.3f} mL/s).",
            asked=f"{new.flow_ml_s:.3f} mL/s",
            allowed=f"{flow.least_ml_s:.3f} to {flow.most_ml_s:.3f} mL/s",
            remedy="Look for a kinked tube, air or a wrong pump in the profile, then calibrate again; or state "
            "another flow for this line in the profile and restart the guard.",
        )
    if abs(new.lag_s) > band.lag_s:
        yield refuse(
            request,
            "calibration_lag",
            f"a lag of {new.lag_s:.3f} s is too long to be true.",
            asked=f"{new.lag_s:.3f} s",
            allowed=f"-{band.lag_s:.3f} to {band.lag_s:.3f} s",
            remedy="Prime the line and calibrate again.",
        )
    if not 0 <= new.sag_per_a <= MOST_SAG_PER_A:
        yield refuse(
            request,
            "calibration_sag",
            f"a sag of {new.sag_per_a:.1%} per ampere is outside what a sound supply does.",
            asked=f"{new.sag_per_a:.1%} per A",
            allowed=f"0 % to {MOST_SAG_PER_A:.0%} per A",
            remedy="Check the wires of the supply, then calibrate again.",
        )


def take_book(new: Book, mark: int, now: Situation) -> list[Refusal]:
    """Everything that speaks against working with this book from now on."""
    refusals = []
    if new.mark != mark:
        reason = "the guard finds another book in its file than the engine has read."
        remedy = "See that nobody is writing it and that both are given the same file, then reload again."
        refusals.append(refuse("take_book", "book_file", reason, remedy=remedy))
    known = {one.liquid for one in new.liquids}
    for line in now.profile.lines:
        state = now.state(line.line)
        held = state.holds if state.contents is Contents.LIQUID else None
        for liquid in sorted({one for one in (state.assigned, held) if one is not None} - known):
            reason = f"the new book has no {liquid}, which is on line {line.line}: its strength would not be known."
            remedy = "Leave it in the book until the line carries and holds something else."
            refusals.append(refuse("take_book", "book_liquid", reason, asked=liquid, remedy=remedy))
    return refusals


def assign(command: Assign, now: Situation) -> list[Refusal]:
    """Everything that speaks against this assignment."""
    refusals = []
    if command.line not in {line.line for line in now.profile.lines}:
        refusals.append(refuse("assign", "line", f"the profile has no line {command.line}."))
    if command.liquid not in {one.liquid for one in now.book.liquids}:
        remedy = "Add it to the book and restart."
        refusals.append(refuse("assign", "liquid", f"the book has no liquid {command.liquid!r}.", remedy=remedy))
    if not 0 <= command.opened_ago_s <= LONGEST_OPEN_S:
        reason = f"a container was opened some time ago, not {command.opened_ago_s!r} s."
        refusals.append(refuse("assign", "opened", reason, allowed="0 s to 10 years"))
    return refusals


def take_scale(command: TakeScale, scale: Scale | None) -> list[Refusal]:
    """Everything that speaks against this zero and span."""
    request, setting, span = "take_scale", command.setting, command.setting.span
    if scale is None:
        return [refuse(request, "scale", "the profile has no scale.", remedy="Add one under scale: and restart.")]
    refusals = []
    if not (abs(setting.zero_counts) <= MOST_COUNTS and 0 <= setting.u_zero_counts <= MOST_COUNTS):
        reason = f"a zero of {setting.zero_counts:g} counts is none that a converter has."
        refusals.append(refuse(request, "scale_zero", reason, remedy="Zero the scale again."))
    if span is not None and not _is_possible(span, scale):
        reason = (
            f"{span.counts_per_g:g} counts per gram, known to {span.u_fraction:.2%}, is no span for a cell of "
            f"{scale.capacity_g:g} g."
        )
        refusals.append(refuse(request, "scale_span", reason, remedy="Span the scale again, with a mass you know."))
    return refusals


def _is_possible(span: Span, scale: Scale) -> bool:
    """Whether more load makes more counts, the whole load stays in the converter's range, and it tells grams apart."""
    at_capacity = span.counts_per_g * scale.capacity_g
    sane = 0 < span.mass_g <= scale.capacity_g and 0 <= span.u_fraction <= MOST_U_SPAN
    return sane and LEAST_AT_CAPACITY <= at_capacity <= 2 * MOST_COUNTS
