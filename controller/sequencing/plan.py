"""From a recipe's doses to a plan: which line runs when, and for how long.

Sag: a pump slows down while others draw from the same supply, so run times depend on who runs together, and who runs
together depends on run times. The two are made consistent by turns: schedule with the present run times, work out the
mean current of the others during each run, work out the run times anew. It ends when no run time moves by more than
0.1 ms. Should the schedule flip to and fro instead, each run gets a window long enough for the worst company it could
have; with those starts fixed only the run times are iterated, which contracts (each second of overlap adds at most
sag x current, a few percent) and stays within the windows, so every limit still holds.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import msgspec

from controller.errors import Refused
from controller.metering.calibration import run_time_s
from controller.model.calibration import Calibration
from controller.model.doses import Resolved
from controller.model.plan import PlannedRun, Segment
from controller.model.profile import Profile
from controller.sequencing.schedule import Limits, Run, Schedule, schedule

SETTLED_S = 1e-4
ROUNDS = 12
FIXED_ROUNDS = 60


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """A volume from one line in one phase (phases count from 0 within a segment)."""

    line: int
    liquid: str
    volume_ml: float
    phase: int


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A serving's segments; times are the pumps' times, waits for people left out."""

    segments: tuple[Segment, ...]
    wanted: tuple[tuple[Wanted, ...], ...]  # what each segment's runs are to deliver
    makespan_s: float
    one_at_a_time_s: float
    lower_bound_s: float
    proven: bool


ANY_TIME_S = 1e6


def limits(profile: Profile, total_s: float | None = None) -> Limits:
    """What a plan of this machine must keep to; total_s (s) stands in for the cap on a serving's time."""
    caps = profile.caps
    return Limits(
        current_a=caps.current_a,
        flow_ml_s=min(caps.flow_ml_s, profile.funnel.drain_ml_s),
        concurrent=caps.concurrent,
        start_gap_s=caps.start_gap_s,
        settle_s=profile.funnel.settle_s,
        total_s=caps.serving_time_s if total_s is None else total_s,
    )


def plan_serving(
    profile: Profile,
    calibrations: Mapping[int, Calibration],
    lines: Mapping[str, int],
    phases: Sequence[Resolved],
) -> Plan:
    """Plan a serving in the shortest time, however long that is; `lines` says on which line each liquid hangs.

    The cap on a serving's time is left to the guard, which names every cap that a serving exceeds. Raises Refused,
    naming all lines that lack a calibration or liquids that lack a line, or the limit that one run alone exceeds.
    """
    _require_known(calibrations, lines, phases)
    segments, all_wanted, spans, bounds, alone_s, proven = [], [], 0.0, 0.0, 0.0, True
    for step, wanted in _split(lines, phases):
        solved, planned = timed(profile, calibrations, wanted)
        segments.append(Segment(runs=planned, hand=step.hand, takes_ml=step.takes_ml, within_s=step.within_s))
        all_wanted.append(tuple(wanted))
        spans += solved.makespan_s
        bounds += solved.lower_bound_s
        proven = proven and solved.proven
        alone_s += one_at_a_time_s(profile, calibrations, wanted)
    return Plan(
        segments=tuple(segments),
        wanted=tuple(all_wanted),
        makespan_s=spans,
        one_at_a_time_s=alone_s,
        lower_bound_s=bounds,
        proven=proven,
    )


def one_at_a_time_s(profile: Profile, calibrations: Mapping[int, Calibration], wanted: Sequence[Wanted]) -> float:
    """How long the same volumes take with never two lines on at once, s."""
    pauses = len({one.phase for one in wanted}) - 1
    runs_s = sum(run_time_s(calibrations[one.line], one.volume_ml) for one in wanted)
    return runs_s + max(0, pauses) * profile.funnel.settle_s


def timed(
    profile: Profile, calibrations: Mapping[int, Calibration], wanted: Sequence[Wanted]
) -> tuple[Schedule, tuple[PlannedRun, ...]]:
    """Schedule the wanted volumes with run times that account for who else runs when (see the module's docstring)."""
    if not wanted:
        return Schedule(lines=(), run_starts_s=(), makespan_s=0.0, lower_bound_s=0.0, proven=True), ()
    durations = [run_time_s(calibrations[one.line], one.volume_ml) for one in wanted]
    for _ in range(ROUNDS):
        solved, starts = _solve(profile, calibrations, wanted, durations)
        consistent = _with_company(profile, calibrations, wanted, starts, durations)
        if max(abs(new - old) for new, old in zip(consistent, durations, strict=True)) <= SETTLED_S:
            return solved, _runs(wanted, starts, durations)
        durations = consistent
    return _within_windows(profile, calibrations, wanted)


def _within_windows(
    profile: Profile, calibrations: Mapping[int, Calibration], wanted: Sequence[Wanted]
) -> tuple[Schedule, tuple[PlannedRun, ...]]:
    currents = [profile.line(one.line).pump.run_a for one in wanted]
    worst = [min(sum(currents), profile.caps.current_a) - own for own in currents]
    windows = [
        run_time_s(calibrations[one.line], one.volume_ml, others_a) for one, others_a in zip(wanted, worst, strict=True)
    ]
    solved, starts = _solve(profile, calibrations, wanted, windows)
    durations = windows
    for _ in range(FIXED_ROUNDS):
        consistent = _with_company(profile, calibrations, wanted, starts, durations)
        moved = max(abs(new - old) for new, old in zip(consistent, durations, strict=True))
        durations = [min(new, window) for new, window in zip(consistent, windows, strict=True)]
        if moved <= SETTLED_S:
            break
    ends = [start + duration for start, duration in zip(starts, durations, strict=True)]
    shortened = msgspec.structs.replace(
        solved, makespan_s=max(ends), lower_bound_s=max(durations), proven=len(wanted) == 1
    )
    return shortened, _runs(wanted, starts, durations)


def runs_to_schedule(
    profile: Profile,
    calibrations: Mapping[int, Calibration],
    wanted: Sequence[Wanted],
    durations_s: Sequence[float],
) -> list[Run]:
    """What the scheduler needs to know of each wanted volume, given how long it takes (s)."""
    found = []
    for one, duration_s in zip(wanted, durations_s, strict=True):
        pump = profile.line(one.line).pump
        found.append(
            Run(
                line=one.line,
                duration_s=duration_s,
                current_a=pump.run_a,
                inrush_a=pump.inrush_a,
                inrush_s=pump.inrush_s,
                # The guard counts a pump by the upper edge of its band, or by a calibration above it.
                flow_ml_s=max(profile.flow_band(one.line).most_ml_s, calibrations[one.line].flow_ml_s),
                phase=one.phase,
            )
        )
    return found


def _solve(
    profile: Profile,
    calibrations: Mapping[int, Calibration],
    wanted: Sequence[Wanted],
    durations: Sequence[float],
) -> tuple[Schedule, list[float]]:
    solved = schedule(runs_to_schedule(profile, calibrations, wanted, durations), limits(profile, ANY_TIME_S))
    return solved, list(solved.run_starts_s)


def _with_company(
    profile: Profile,
    calibrations: Mapping[int, Calibration],
    wanted: Sequence[Wanted],
    starts: Sequence[float],
    durations: Sequence[float],
) -> list[float]:
    found = []
    for index, one in enumerate(wanted):
        others_as = 0.0
        for other, neighbour in enumerate(wanted):
            if other != index:
                begin = max(starts[index], starts[other])
                end = min(starts[index] + durations[index], starts[other] + durations[other])
                others_as += max(0.0, end - begin) * profile.line(neighbour.line).pump.run_a
        found.append(run_time_s(calibrations[one.line], one.volume_ml, others_as / durations[index]))
    return found


def _runs(wanted: Sequence[Wanted], starts: Sequence[float], durations: Sequence[float]) -> tuple[PlannedRun, ...]:
    runs = [
        PlannedRun(line=one.line, liquid=one.liquid, start_s=start, duration_s=duration, volume_ml=one.volume_ml)
        for one, start, duration in zip(wanted, starts, durations, strict=True)
    ]
    return tuple(sorted(runs, key=lambda run: (run.start_s, run.line)))


def _split(lines: Mapping[str, int], phases: Sequence[Resolved]) -> list[tuple[Resolved, list[Wanted]]]:
    """Phases without a hand step between them make one segment: (its first phase, which may be a hand step; wanted)."""
    segments: list[tuple[Resolved, list[Wanted]]] = []
    for phase in phases:
        if phase.hand is not None or not segments:
            segments.append((phase, []))
        wanted = segments[-1][1]
        number = wanted[-1].phase + 1 if wanted else 0
        wanted += [
            Wanted(line=lines[liquid], liquid=liquid, volume_ml=volume_ml, phase=number)
            for liquid, volume_ml in phase.doses
        ]
    return segments


def _require_known(
    calibrations: Mapping[int, Calibration], lines: Mapping[str, int], phases: Sequence[Resolved]
) -> None:
    liquids = {liquid for phase in phases for liquid, _ in phase.doses}
    homeless = sorted(liquids - lines.keys())
    if homeless:
        raise Refused(
            rule="assignment",
            reason=f"no line holds {', '.join(homeless)}.",
            way_out="Hang it on a line: tundish assign LINE LIQUID CONTAINER.",
        )
    uncalibrated = sorted(lines[liquid] for liquid in liquids if lines[liquid] not in calibrations)
    if uncalibrated:
        numbers = ", ".join(map(str, uncalibrated))
        raise Refused(
            rule="calibration",
            reason=f"line {numbers} has no calibration, so its volumes would be a guess.",
            way_out=f"Run: tundish calibrate {uncalibrated[0]}",
        )
