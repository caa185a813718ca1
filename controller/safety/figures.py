"""The guard's own figures: what a run delivers, at best and at worst, and how much a tube holds.

Written apart from the planner on purpose: a mistake there must not be repeated here.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from controller.model.calibration import Calibration
from controller.model.plan import Interval
from controller.model.profile import FlowBand, Line, Profile
from controller.model.sums import summed

ETHANOL_G_ML = 0.78924  # density of pure ethanol at 20 C: OIML R 22:1975 (erratum), 789.24 kg/m3
COVERAGE = 3.0  # standard uncertainties between best estimate and upper bound
LEAST_SAG_FACTOR = 0.8  # however much current the others draw, flow is never taken to fall below this


def tube_ml(line: Line) -> float:
    """What the line's tubing holds from container to funnel (mL); the pump's own tube is left out."""
    area_mm2 = math.pi / 4 * line.tube.bore_mm**2
    return area_mm2 * (line.tube.suction_m + line.tube.delivery_m)  # mm2 times m is mL


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

    def band(self, number: int) -> FlowBand:
        """What the line's pump moves at the least and at the most: its own band, widened by a calibration outside."""
        band, calibration = self.profile.flow_band(number), self.calibrations.get(number)
        if calibration is None:
            return band
        return FlowBand(
            least_ml_s=min(band.least_ml_s, calibration.flow_ml_s), most_ml_s=max(band.most_ml_s, calibration.flow_ml_s)
        )

    def run_ml(self, interval: Interval, among: Sequence[Interval]) -> float:
        """What one run delivers by the line's calibration (mL), sag by the others' current included.

        Without a calibration by the pump's nominal flow. An estimate for the books: no cap may hang on it alone.
        """
        calibration = self.calibrations.get(interval.line)
        if calibration is None:
            return self.profile.line(interval.line).pump.nominal_flow_ml_s * interval.on_s
        sag = calibration.sag_per_a * self.others_a_s(interval, among) / interval.on_s if interval.on_s > 0 else 0.0
        effective_s = interval.on_s - calibration.lag_s
        return max(0.0, calibration.flow_ml_s * max(LEAST_SAG_FACTOR, 1.0 - sag) * effective_s)

    def by_line_ml(self, intervals: Sequence[Interval]) -> dict[int, float]:
        """What each line delivers over all its runs (mL), by its calibration."""
        return summed((one.line, self.run_ml(one, intervals)) for one in intervals)

    def upper_ml(self, interval: Interval) -> float:
        """The most that one run can have delivered (mL): no sag, the uncertainty on top, and never less than the edge.

        The edge is what the pump moves at the upper edge of its band with its tube full, from the first instant on,
        until its relay has opened and it has coasted to rest. No calibration can talk it down.
        """
        line, relays = self.profile.line(interval.line), self.profile.relay_board
        # At constant deceleration a pump coasts half as far as it runs in the same time.
        after_s = max(0.0, relays.release_s - relays.operate_s) + line.pump.coast_s / 2
        edge_ml = self.band(interval.line).most_ml_s * (interval.on_s + after_s)
        calibration = self.calibrations.get(interval.line)
        if calibration is None:
            return edge_ml
        volume_ml = max(0.0, calibration.flow_ml_s * (interval.on_s - calibration.lag_s))
        return max(edge_ml, volume_ml + spread_ml(calibration, interval.on_s, volume_ml))

    def lower_ml(self, interval: Interval) -> float:
        """The least that one run can have moved (mL): at the lower edge, from when its relay has closed and its inrush
        is over. No calibration can talk it up, and none lets a pump move liquid before it starts.
        """
        line = self.profile.line(interval.line)
        before_s = self.profile.relay_board.operate_s + line.pump.inrush_s
        return self.band(interval.line).least_ml_s * max(0.0, interval.on_s - before_s)

    def upper_by_line_ml(self, intervals: Sequence[Interval]) -> dict[int, float]:
        """The most that each line can have delivered over all its runs (mL)."""
        return summed((one.line, self.upper_ml(one)) for one in intervals)

    def lower_by_line_ml(self, intervals: Sequence[Interval]) -> dict[int, float]:
        """The least that each line can have moved over all its runs (mL)."""
        return summed((one.line, self.lower_ml(one)) for one in intervals)
