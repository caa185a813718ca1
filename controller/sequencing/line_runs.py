"""Runs that are not servings: fill, empty, clean and rinse lines, timed trials, a short jog."""

import math
from collections.abc import Mapping, Sequence

from controller.model.calibration import Calibration
from controller.model.plan import PlannedRun
from controller.model.profile import FlowBand, Line, Profile
from controller.model.states import OperationKind
from controller.sequencing.plan import ANY_TIME_S, limits
from controller.sequencing.pump_run import run_of
from controller.sequencing.schedule import schedule

# Line volumes that a run moves at the least, by the lower edge of its pump's band: the guard counts by that edge. A
# purge must also draw the last of the liquid along the tube's wall.
LINE_VOLUMES = {OperationKind.PRIME: 1.1, OperationKind.PURGE: 1.5, OperationKind.CLEAN: 1.1}
RINSE_MARGIN = 1.1


def tube_ml(line: Line) -> float:
    """What the line's tube holds from container to funnel, mL: a cylinder of bore and length."""
    length_mm = 1000.0 * (line.tube.suction_m + line.tube.delivery_m)
    return math.pi / 4.0 * line.tube.bore_mm**2 * length_mm / 1000.0


def usual_ml(profile: Profile, line: int, tube_volumes: float) -> float:
    """What comes while a line moves so many tube volumes at the least, mL, from a pump with its nominal flow."""
    excess = profile.line(line).pump.nominal_flow_ml_s / profile.flow_band(line).least_ml_s
    return tube_volumes * tube_ml(profile.line(line)) * max(1.0, excess)


def wetting_runs(
    profile: Profile,
    calibrations: Mapping[int, Calibration],
    kind: OperationKind,
    liquids: Mapping[int, str],
) -> tuple[PlannedRun, ...]:
    """Prime, purge, clean or rinse lines together as far as the machine allows; `liquids` is what each draws."""
    volumes = LINE_VOLUMES.get(kind, profile.hygiene.rinse_line_volumes * RINSE_MARGIN)
    runs = []
    for line in liquids:
        band, least_ml = _band(profile, calibrations, line), volumes * tube_ml(profile.line(line))
        start_up_s = profile.relay_board.operate_s + profile.line(line).pump.inrush_s
        runs.append(run_of(profile, line, least_ml / band.least_ml_s + start_up_s, band.most_ml_s))
    starts = schedule(runs, limits(profile, ANY_TIME_S)).run_starts_s
    return tuple(
        PlannedRun(
            line=line,
            liquid=liquid,
            start_s=start_s,
            duration_s=run.duration_s,
            volume_ml=run.duration_s * _flow_ml_s(profile, calibrations, line),
        )
        for (line, liquid), run, start_s in zip(liquids.items(), runs, starts, strict=True)
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


def most_ml(profile: Profile, calibrations: Mapping[int, Calibration], runs: Sequence[PlannedRun]) -> float:
    """What these runs bring at the most, mL: by the upper edge of each pump's band, after-run included."""
    relays, total_ml = profile.relay_board, 0.0
    for run in runs:
        after_s = max(0.0, relays.release_s - relays.operate_s) + profile.line(run.line).pump.coast_s / 2
        total_ml += _band(profile, calibrations, run.line).most_ml_s * (run.duration_s + after_s)
    return total_ml


def _band(profile: Profile, calibrations: Mapping[int, Calibration], line: int) -> FlowBand:
    """The pump's band, widened by a calibration outside it: the guard counts so, too."""
    band, known = profile.flow_band(line), calibrations.get(line)
    if known is None:
        return band
    return FlowBand(least_ml_s=min(band.least_ml_s, known.flow_ml_s), most_ml_s=max(band.most_ml_s, known.flow_ml_s))
