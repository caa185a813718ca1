"""The guard's own figures: what a run delivers, at best and at worst, and how much a tube holds.

Written apart from the planner on purpose: a mistake there must not be repeated here.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from controller.model.calibration import Calibration
from controller.model.profile import Line, Profile

ETHANOL_G_ML = 0.78924  # density of pure ethanol at 20 C: OIML R 22:1975 (erratum), 789.24 kg/m3
UNCALIBRATED = 1.25  # an uncalibrated pump may deliver this many times its nominal flow; common practice, no source
LEAST_NOMINAL = 0.85  # and it moves at least this much of it; common practice, no source
COVERAGE = 3.0  # standard uncertainties between best estimate and upper bound
LEAST_SAG_FACTOR = 0.8  # however much current the others draw, flow is never taken to fall below this


@dataclass(frozen=True, kw_only=True)
class Interval:
    """One line on from start_s to end_s, on the guard's monotonic clock or from any common origin."""

    line: int
    start_s: float
    end_s: float

    @property
    def on_s(self) -> float:
        """How long (s)."""
        return self.end_s - self.start_s


def tube_ml(line: Line) -> float:
    """What the line's tubing holds from container to funnel (mL); the pump's own tube is left out."""
    area_mm2 = math.pi / 4 * line.tube.bore_mm**2
    return area_mm2 * (line.tube.suction_m + line.tube.delivery_m)  # mm2 times m is mL


def flow_ml_s(line: Line, calibration: Calibration | None) -> float:
    """The line's flow with no other line on (mL/s); the worst case when it is not calibrated."""
    return calibration.flow_ml_s if calibration else line.pump.nominal_flow_ml_s * UNCALIBRATED


def spread_ml(calibration: Calibration, on_s: float, volume_ml: float) -> float:
    """How far one run of on_s that should deliver volume_ml may be off (mL): flow, lag and the run's own scatter.

    First-order propagation with covariance: JCGM 100:2008, equation 13, for volume = flow (on - lag).
    """
    effective_s = on_s - calibration.lag_s
    variance = (
        (effective_s * calibration.u_flow_ml_s) ** 2
        + (calibration.flow_ml_s * calibration.u_lag_s) ** 2
        - 2 * effective_s * calibration.flow_ml_s * calibration.cov_flow_lag
        + calibration.scatter_ml**2
        + (calibration.scatter_fraction * volume_ml) ** 2
    )
    return COVERAGE * math.sqrt(max(0.0, variance))


@dataclass(frozen=True, kw_only=True)
class Figures:
    """Profile and calibrations, and what follows from them."""

    profile: Profile
    calibrations: Mapping[int, Calibration]  # by line, for the liquid that is assigned to it

    def others_a_s(self, interval: Interval, among: Sequence[Interval]) -> float:
        """Charge that the other lines draw while this one runs (A s)."""
        total = 0.0
        for other in among:
            if other.line != interval.line:
                shared_s = min(interval.end_s, other.end_s) - max(interval.start_s, other.start_s)
                total += max(0.0, shared_s) * self.profile.line(other.line).pump.run_a
        return total

    def run_ml(self, interval: Interval, among: Sequence[Interval], *, nominal: bool = False) -> float:
        """What one run delivers (mL), sag by the others' current included.

        Without a calibration: the worst case, or with `nominal` the pump's nominal flow as the best estimate.
        """
        line = self.profile.line(interval.line)
        calibration = self.calibrations.get(interval.line)
        if calibration is None:
            return line.pump.nominal_flow_ml_s * (1.0 if nominal else UNCALIBRATED) * interval.on_s
        effective_s = interval.on_s - calibration.lag_s
        sag = calibration.sag_per_a * self.others_a_s(interval, among) / interval.on_s if interval.on_s > 0 else 0.0
        return max(0.0, calibration.flow_ml_s * max(LEAST_SAG_FACTOR, 1.0 - sag) * effective_s)

    def by_line_ml(self, intervals: Sequence[Interval], *, nominal: bool = False) -> dict[int, float]:
        """What each line delivers over all its runs (mL)."""
        return _by_line(intervals, [self.run_ml(one, intervals, nominal=nominal) for one in intervals])

    def upper_ml(self, interval: Interval) -> float:
        """The most that one run can have delivered (mL): no sag, and the uncertainty on top."""
        line, calibration = self.profile.line(interval.line), self.calibrations.get(interval.line)
        if calibration is None:
            return line.pump.nominal_flow_ml_s * UNCALIBRATED * interval.on_s
        volume_ml = max(0.0, calibration.flow_ml_s * (interval.on_s - calibration.lag_s))
        return volume_ml + spread_ml(calibration, interval.on_s, volume_ml)

    def lower_ml(self, interval: Interval, among: Sequence[Interval]) -> float:
        """The least that one run can have moved (mL)."""
        line, calibration = self.profile.line(interval.line), self.calibrations.get(interval.line)
        if calibration is None:
            return line.pump.nominal_flow_ml_s * LEAST_NOMINAL * interval.on_s
        volume_ml = self.run_ml(interval, among)
        # A calibrated pump is known no worse than an uncalibrated one.
        return max(LEAST_NOMINAL * volume_ml, volume_ml - spread_ml(calibration, interval.on_s, volume_ml))

    def upper_by_line_ml(self, intervals: Sequence[Interval]) -> dict[int, float]:
        """The most that each line can have delivered over all its runs (mL)."""
        return _by_line(intervals, [self.upper_ml(one) for one in intervals])

    def lower_by_line_ml(self, intervals: Sequence[Interval]) -> dict[int, float]:
        """The least that each line can have moved over all its runs (mL)."""
        return _by_line(intervals, [self.lower_ml(one, intervals) for one in intervals])


def _by_line(intervals: Sequence[Interval], volumes_ml: Sequence[float]) -> dict[int, float]:
    totals: dict[int, float] = {}
    for interval, volume_ml in zip(intervals, volumes_ml, strict=True):
        totals[interval.line] = totals.get(interval.line, 0.0) + volume_ml
    return totals
