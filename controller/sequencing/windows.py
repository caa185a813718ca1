"""A plan whose ends may be moved: each run gets a window, and every limit holds with all runs at their longest.

It is planned with flows and lags as bad as they may well be; the starts and the longest ends come from that plan, so
that whoever checks it at its longest ends finds nothing amiss. The planned end is then where the dose should be
complete. An end may be moved forward further than back: that takes no plan's time, and it never pours too much.

Two lines whose flows are both little known cannot be told from each other by the weight of what they pour at once. So
where several lines' flows, as they are known now, could take up a good part of their doses' tolerances, each runs for
some seconds before the next one starts: the weight's slope then tells the flow of each. One such line beside others
can be told. The first dose of a slow line that no serving has weighed yet is poured alone: what it brings would be
lost among the others.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace

from msgspec import structs

from controller.metering.calibration import run_time_s
from controller.metering.dose import mi008_ml
from controller.model.calibration import Calibration
from controller.model.doses import Resolved
from controller.model.plan import PlannedRun
from controller.model.profile import Profile
from controller.sequencing.plan import Plan, Wanted, joined, plan_serving, timed
from controller.sequencing.twins import Sources

COVERED = 2.5  # standard uncertainties that a window covers: 99 of 100 doses
PLUGS = (
    6.0  # the same for a line's own scatter: gas comes in plugs, one run in a thousand lies 6 off (benchmarks weighed)
)
MOST_OFF = 0.1  # of a flow, for which a window is made
EARLIER_S, EARLIER_SHARE = 0.1, 0.3  # by which an end may always be moved forward: time, and of the run
LEAST_RUN_S = 0.05
LOOK_S = 0.4  # before the first start, in which the empty glass is weighed at full pace
SLOW_ML_S = 2.0  # a line below this is slow; by trial on the bench
LEARNED_S = 6.0  # in which the slope tells a flow; with 3 s the first doses were twice as far off (benchmarks weighed)
DOUBTFUL_SHARE = 0.25  # of a dose's tolerance
APART_S = 0.3  # between starts, so that the weight tells a line that does not flow from the others


def plan_weighed(
    profile: Profile,
    calibrations: Mapping[int, Calibration],
    sources: Sources,
    phases: Sequence[Resolved],
    last_alone: bool = False,
    *,
    unlearned: Collection[int] = (),
) -> Plan:
    """The serving planned as by `plan_serving`, with windows for a trim; starts of several uncertain lines lie further
    apart, a slow unlearned line pours alone, and with last_alone the largest dose of each phase after all others, where
    the cap on a serving's time allows. Where it does not allow the longest ends either, there are no windows.
    unlearned: lines of which no serving has been weighed yet. Raises what `plan_serving` does.
    """
    slow = _all_slow(calibrations)
    split = tuple(
        part
        for phase in joined(phases)
        for part in _parts(phase, calibrations, sources, unlearned, last_alone=last_alone)
    )
    gap_s = LEARNED_S if any(_are_doubtful(phase, calibrations, sources) for phase in split) else APART_S
    plan = plan_serving(_spaced(profile, gap_s), slow, sources, split)
    if plan.makespan_s + LOOK_S > profile.caps.serving_time_s:
        plan = plan_serving(_spaced(profile), slow, sources, phases)
    if plan.makespan_s + LOOK_S > profile.caps.serving_time_s:
        return plan_serving(profile, calibrations, sources, phases)
    segments = tuple(
        structs.replace(segment, runs=_windows(segment.runs, slow, calibrations)) for segment in plan.segments
    )
    first = next((k for k, segment in enumerate(segments) if segment.runs), 0)
    waited = structs.replace(segments[first], runs=tuple(map(_after_look, segments[first].runs)))
    return replace(plan, segments=(*segments[:first], waited, *segments[first + 1 :]), calibrations=calibrations)


def rest_weighed(
    profile: Profile, calibrations: Mapping[int, Calibration], wanted: Sequence[Wanted]
) -> tuple[PlannedRun, ...]:
    """What a held serving still owes, with windows again. calibrations: as its weight has them by now."""
    slow = _all_slow(calibrations)
    _, runs = timed(_spaced(profile), slow, wanted)
    return tuple(map(_after_look, _windows(runs, slow, calibrations)))


def _spaced(profile: Profile, gap_s: float = APART_S) -> Profile:
    """The machine with its starts as far apart as the weight needs them."""
    gap_s = max(gap_s, profile.caps.start_gap_s)
    return structs.replace(profile, caps=structs.replace(profile.caps, start_gap_s=gap_s))


def _all_slow(calibrations: Mapping[int, Calibration]) -> dict[int, Calibration]:
    return {line: _slow(one) for line, one in calibrations.items()}


def _windows(
    runs: Sequence[PlannedRun], slow: Mapping[int, Calibration], usual: Mapping[int, Calibration]
) -> tuple[PlannedRun, ...]:
    return tuple(_window(run, slow[run.line], usual[run.line]) for run in runs)


def _parts(
    phase: Resolved,
    calibrations: Mapping[int, Calibration],
    sources: Sources,
    unlearned: Collection[int],
    *,
    last_alone: bool,
) -> list[Resolved]:
    """The phase, before it one of its own for each dose that is to be poured alone, after it one for the last."""
    alone = [dose for dose in phase.doses if _is_lost(dose[0], calibrations, sources, unlearned)]
    beside = tuple(dose for dose in phase.doses if dose not in alone)
    last = tuple(sorted(beside, key=lambda dose: dose[1])[-1:]) if last_alone and len(beside) > 1 else ()
    beside = tuple(dose for dose in beside if dose not in last)
    doses = [*((dose,) for dose in alone), *(some for some in (beside, last) if some)]
    if len(doses) < 2:
        return [phase]
    first = structs.replace(phase, doses=doses[0])
    return [
        first,
        *(
            structs.replace(first, doses=one, hand=None, takes_ml=0.0, within_s=None, may_join=False)
            for one in doses[1:]
        ),
    ]


def _is_lost(
    liquid: str, calibrations: Mapping[int, Calibration], sources: Sources, unlearned: Collection[int]
) -> bool:
    """Whether a line that it may come from is slow and not learned."""
    known = [calibrations[one.line] for one in sources.get(liquid, ()) if one.line in calibrations]
    return any(one.line in unlearned and one.flow_ml_s < SLOW_ML_S for one in known)


def _are_doubtful(phase: Resolved, calibrations: Mapping[int, Calibration], sources: Sources) -> bool:
    """Whether the flows of several lines could take up DOUBTFUL_SHARE of their doses' tolerances (k = 2)."""

    def is_doubtful(one: Calibration, volume_ml: float) -> bool:
        return 2.0 * volume_ml * one.u_flow_ml_s / one.flow_ml_s > DOUBTFUL_SHARE * mi008_ml(volume_ml)

    lines = {(source.line, volume_ml) for liquid, volume_ml in phase.doses for source in sources.get(liquid, ())}
    return sum(line in calibrations and is_doubtful(calibrations[line], ml) for line, ml in lines) > 1


def _after_look(run: PlannedRun) -> PlannedRun:
    return structs.replace(run, start_s=run.start_s + LOOK_S)


def _slow(one: Calibration) -> Calibration:
    """The same line when its flow is low and its lag long."""
    off = math.hypot(COVERED * one.u_flow_ml_s / one.flow_ml_s, PLUGS * one.scatter_fraction)
    later_s = COVERED * math.hypot(one.u_lag_s, one.scatter_ml / one.flow_ml_s)
    return structs.replace(one, flow_ml_s=(1.0 - min(MOST_OFF, off)) * one.flow_ml_s, lag_s=one.lag_s + later_s)


def _window(run: PlannedRun, slow: Calibration, usual: Calibration) -> PlannedRun:
    """The run with its planned end where the usual flow completes it, in the same company."""
    longest_s = run.duration_s
    company = (longest_s - slow.lag_s) / (run_time_s(slow, run.volume_ml) - slow.lag_s)  # above 1 with sag
    duration_s = usual.lag_s + company * (run_time_s(usual, run.volume_ml) - usual.lag_s)
    duration_s = min(longest_s, max(LEAST_RUN_S, duration_s))
    shortest_s = duration_s - max(EARLIER_S, EARLIER_SHARE * duration_s)
    return structs.replace(run, duration_s=duration_s, shortest_s=max(LEAST_RUN_S, shortest_s), longest_s=longest_s)
