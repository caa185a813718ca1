"""Which limit keeps a serving from being poured faster, and what would bring one that is too slow within its time."""

from collections.abc import Mapping

from controller.model.calibration import Calibration
from controller.model.profile import Profile
from controller.sequencing.bottleneck import WORK_ON_ADVICE, bottleneck, explain
from controller.sequencing.plan import ANY_TIME_S, Plan, limits, runs_to_schedule, timed
from controller.sequencing.schedule_loads import Limits, Run


def binding_limit(profile: Profile, calibrations: Mapping[int, Calibration], plan: Plan) -> str:
    """The limit without which the serving would be shortest; "longest run" when none would save a noticeable part.

    What a limit saves is computed with the run times of the plan without it: more pumps at once sag more.
    """

    def length_s(changed: Limits) -> float:
        work = WORK_ON_ADVICE // max(1, len(plan.wanted))
        return sum(timed(profile, calibrations, wanted, changed, work=work)[0].makespan_s for wanted in plan.wanted)

    return bottleneck(
        _batches(profile, calibrations, plan), limits(profile, ANY_TIME_S), plan.makespan_s, length_s
    ).limit


def too_slow(profile: Profile, calibrations: Mapping[int, Calibration], plan: Plan) -> str:
    """Why a serving exceeds the cap on its time and the smallest changes that would help; "" when it keeps to it."""
    cap_s = profile.caps.serving_time_s
    if plan.makespan_s <= cap_s:
        return ""
    batches = _batches(profile, calibrations, plan)
    slowest = max(range(len(batches)), key=lambda place: sum(run.duration_s for run in batches[place]))
    span_s = _span_s(plan, slowest)
    found = explain(batches[slowest], limits(profile, max(0.1, cap_s - (plan.makespan_s - span_s))), span_s)
    return "" if found is None else f"{found.reason} {found.remedy}".strip()


def _batches(profile: Profile, calibrations: Mapping[int, Calibration], plan: Plan) -> list[list[Run]]:
    return [
        runs_to_schedule(profile, calibrations, wanted, _durations_s(plan, place))
        for place, wanted in enumerate(plan.wanted)
        if wanted
    ]


def _span_s(plan: Plan, batch: int) -> float:
    """From first start to last end of a batch, s."""
    filled = [segment for segment, wanted in zip(plan.segments, plan.wanted, strict=True) if wanted]
    runs = filled[batch].runs
    return max(run.start_s + run.duration_s for run in runs) - min(run.start_s for run in runs)


def _durations_s(plan: Plan, place: int) -> list[float]:
    """In the order of the wanted volumes: a line's runs in one segment come in the order of its phases."""
    runs = list(plan.segments[place].runs)
    found = []
    for one in plan.wanted[place]:
        run = next(run for run in runs if run.line == one.line)
        runs.remove(run)
        found.append(run.duration_s)
    return found
