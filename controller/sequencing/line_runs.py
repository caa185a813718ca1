"""Runs that are not servings: fill, empty, clean and rinse lines, timed trials, a short jog."""

import math
from collections.abc import Mapping, Sequence

from controller.model.calibration import Calibration
from controller.model.plan import PlannedRun
from controller.model.profile import Line, Profile
from controller.model.states import OperationKind
from controller.sequencing.plan import ANY_TIME_S, limits
from controller.sequencing.schedule import Run, schedule

# Line volumes that a run moves. A pump may give 15 % less than its data sheet says (common practice, no source), so
# filling and emptying take half as much again; a purge must also draw the last of the liquid along the tube's wall.
LINE_VOLUMES = {OperationKind.PRIME: 1.5, OperationKind.PURGE: 2.0, OperationKind.CLEAN: 1.5}
RINSE_MARGIN = 1.5  # the guard counts a rinse by the least that the pump can have moved


def tube_ml(line: Line) -> float:
    """What the line's tube holds from container to funnel, mL: a cylinder of bore and length."""
    length_mm = 1000.0 * (line.tube.suction_m + line.tube.delivery_m)
    return math.pi / 4.0 * line.tube.bore_mm**2 * length_mm / 1000.0


def wetting_runs(
    profile: Profile,
    calibrations: Mapping[int, Calibration],
    kind: OperationKind,
    liquids: Mapping[int, str],
) -> tuple[PlannedRun, ...]:
    """Prime, purge, clean or rinse lines together as far as the machine allows; `liquids` is what each draws."""
    volumes = LINE_VOLUMES.get(kind, profile.hygiene.rinse_line_volumes * RINSE_MARGIN)
    wanted = {line: volumes * tube_ml(profile.line(line)) for line in liquids}
    flows = {line: _flow_ml_s(profile, calibrations, line) for line in liquids}
    runs = [
        Run(
            line=line,
            duration_s=volume_ml / flows[line],
            current_a=profile.line(line).pump.run_a,
            inrush_a=profile.line(line).pump.inrush_a,
            inrush_s=profile.line(line).pump.inrush_s,
            flow_ml_s=flows[line],
            phase=0,
        )
        for line, volume_ml in wanted.items()
    ]
    starts = schedule(runs, limits(profile, ANY_TIME_S)).run_starts_s
    return tuple(
        PlannedRun(line=line, liquid=liquids[line], start_s=start_s, duration_s=run.duration_s, volume_ml=wanted[line])
        for line, run, start_s in zip(wanted, runs, starts, strict=True)
    )


def timed_runs(
    profile: Profile, calibrations: Mapping[int, Calibration], liquids: Mapping[int, str], on_s: float
) -> tuple[PlannedRun, ...]:
    """Each line on for on_s, as close together as the start gap allows; the guard judges whether they fit."""
    return tuple(
        PlannedRun(
            line=line,
            liquid=liquid,
            start_s=place * profile.caps.start_gap_s,
            duration_s=on_s,
            volume_ml=on_s * _flow_ml_s(profile, calibrations, line),
        )
        for place, (line, liquid) in enumerate(liquids.items())
    )


def longest_s(runs: Sequence[PlannedRun]) -> float:
    """From the first start to the last end, s."""
    return max((run.start_s + run.duration_s for run in runs), default=0.0)


def _flow_ml_s(profile: Profile, calibrations: Mapping[int, Calibration], line: int) -> float:
    known = calibrations.get(line)
    return profile.line(line).pump.nominal_flow_ml_s if known is None else known.flow_ml_s
