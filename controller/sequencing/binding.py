"""Which limit keeps a serving from being poured faster."""

from collections.abc import Mapping, Sequence

import msgspec

from controller.model.calibration import Calibration
from controller.model.profile import Profile
from controller.sequencing.plan import ANY_TIME_S, Plan, limits, runs_to_schedule
from controller.sequencing.schedule import Limits, Run, schedule

FAR = 1e6  # no machine gets there
RELAXED: dict[str, dict[str, float]] = {
    "supply current": {"current_a": FAR},
    "combined flow": {"flow_ml_s": FAR},
    "lines on at once": {"concurrent": 64},
    "gap between starts": {"start_gap_s": 0.0},
    "settle time between phases": {"settle_s": 0.0},
}
LONGEST = "longest run"


def binding_limit(profile: Profile, calibrations: Mapping[int, Calibration], plan: Plan) -> str:
    """The limit without which the serving would be shortest; "longest run" when no single limit lengthens it."""
    bounds = limits(profile, ANY_TIME_S)
    batches = [
        runs_to_schedule(profile, calibrations, wanted, _durations_s(plan, place))
        for place, wanted in enumerate(plan.wanted)
        if wanted
    ]
    held_s = _total_s(batches, bounds)
    without_s = {name: _total_s(batches, msgspec.structs.replace(bounds, **change)) for name, change in RELAXED.items()}
    name = min(without_s, key=lambda one: without_s[one])
    return name if without_s[name] < held_s - 1e-6 else LONGEST


def _durations_s(plan: Plan, place: int) -> list[float]:
    """In the order of the wanted volumes: a line's runs in one segment come in the order of its phases."""
    runs = list(plan.segments[place].runs)
    found = []
    for one in plan.wanted[place]:
        run = next(run for run in runs if run.line == one.line)
        runs.remove(run)
        found.append(run.duration_s)
    return found


def _total_s(batches: Sequence[Sequence[Run]], bounds: Limits) -> float:
    return sum(schedule(batch, bounds).makespan_s for batch in batches)
