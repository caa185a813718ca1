"""The law of a line, volume = flow (1 - sag I) (on - lag), with its uncertainty and the scatter of single runs."""

import math

from msgspec import structs

from controller.errors import require_in_range, require_positive
from controller.metering.least_squares import Matrix, quadratic_form
from controller.model.calibration import Calibration
from controller.model.fields import Value


class Scatter(Value, frozen=True, kw_only=True):
    """How single runs scatter: standard deviation of a volume V is hypot(fixed_ml, fraction V).

    The fixed part comes from starting, stopping and the rollers' position, the proportional one from speed.
    degrees_of_freedom (> 0) says how well the two are known.
    """

    fixed_ml: float
    fraction: float
    degrees_of_freedom: float

    def at_ml(self, volume_ml: float) -> float:
        """Standard deviation of one run's volume, mL."""
        return math.hypot(self.fixed_ml, self.fraction * volume_ml)


class FlowLaw(Value, frozen=True, kw_only=True):
    """Flow (mL/s), lag (s), sag (1/A), their 3 x 3 covariance in that order, and the scatter of single runs.

    u_common: relative standard uncertainty that all volumes share (scale factor, density), part of the covariance.
    weighing_share: how much of the rest of the covariance the weighing explains, whose uncertainty is known.
    """

    flow_ml_s: float
    lag_s: float
    sag_per_a: float
    covariance: Matrix
    scatter: Scatter
    weighing_share: float = 0.0
    u_common: float = 0.0

    def delivered_ml(self, on_s: float, others_a: float = 0.0) -> float:
        """Mean volume of a run of on_s (s, >= 0) beside others that draw others_a (A); 0 within the lag."""
        return delivered_ml(self, on_s, others_a)

    def run_time_s(self, volume_ml: float, others_a: float = 0.0) -> float:
        """On-time for a mean volume (mL, > 0), s. OutOfRange when no run is short enough for it."""
        return run_time_s(self, volume_ml, others_a)

    def u_mean_ml(self, on_s: float, others_a: float = 0.0) -> float:
        """Standard uncertainty of the mean volume of such runs, mL: flow, lag and sag with their covariance."""
        gradient = gradient_of(self.flow_ml_s, self.lag_s, self.sag_per_a, on_s, others_a)
        return math.sqrt(max(0.0, quadratic_form(self.covariance, gradient)))

    def single_run(self, on_s: float, others_a: float = 0.0, u_read_ml: float = 0.0) -> tuple[float, float]:
        """Standard uncertainty (mL) of one such run, and its degrees of freedom.

        u_read_ml: of the scale that reads it, when it is weighed. Only what follows from the scatter is as uncertain
        as that: effective degrees of freedom as Welch and Satterthwaite have them (GUM, JCGM 100:2008, G.4).
        """
        volume_ml = self.delivered_ml(on_s, others_a)
        mean_ml2 = self.u_mean_ml(on_s, others_a) ** 2
        common_ml2 = min(mean_ml2, (self.u_common * volume_ml) ** 2)
        known_ml2 = common_ml2 + self.weighing_share * (mean_ml2 - common_ml2) + u_read_ml**2
        unsure_ml2 = (1.0 - self.weighing_share) * (mean_ml2 - common_ml2) + self.scatter.at_ml(volume_ml) ** 2
        total_ml2 = known_ml2 + unsure_ml2
        if unsure_ml2 <= 0.0:
            return math.sqrt(total_ml2), math.inf
        return math.sqrt(total_ml2), self.scatter.degrees_of_freedom * (total_ml2 / unsure_ml2) ** 2

    def with_common(self, u_common: float) -> "FlowLaw":
        """The same with a relative uncertainty that all volumes share."""
        covariance = [list(row) for row in self.covariance]
        covariance[0][0] += (u_common**2 - self.u_common**2) * self.flow_ml_s**2
        return structs.replace(self, covariance=tuple(map(tuple, covariance)), u_common=u_common)


def gradient_of(flow_ml_s: float, lag_s: float, sag_per_a: float, on_s: float, others_a: float) -> tuple[float, ...]:
    """Derivatives of the volume by flow, lag and sag."""
    share, moving_s = 1.0 - sag_per_a * others_a, on_s - lag_s
    return share * moving_s, -flow_ml_s * share, -flow_ml_s * others_a * moving_s


def delivered_ml(law: FlowLaw | Calibration, on_s: float, others_a: float = 0.0) -> float:
    """Mean volume (mL) of a run of on_s (s, >= 0) beside others that draw others_a (A, >= 0); 0 within the lag."""
    require_in_range("on_s", on_s, 0.0, math.inf, "s")
    require_in_range("others_a", others_a, 0.0, math.inf, "A")
    if on_s == 0.0:
        return 0.0
    return max(0.0, law.flow_ml_s * max(0.0, 1.0 - law.sag_per_a * others_a) * (on_s - law.lag_s))


def run_time_s(law: FlowLaw | Calibration, volume_ml: float, others_a: float = 0.0) -> float:
    """On-time (s) for a mean volume (mL, > 0) beside others that draw others_a (A, >= 0); inverse of delivered_ml.

    OutOfRange when the line coasts so long that no run is short enough for the volume.
    """
    require_positive("volume_ml", volume_ml, "mL")
    require_in_range("others_a", others_a, 0.0, math.inf, "A")
    flow_now_ml_s = law.flow_ml_s * (1.0 - law.sag_per_a * others_a)
    require_positive("flow beside the others", flow_now_ml_s, "mL/s")
    # A line that coasts longer than it takes to start has a negative lag: less than it coasts cannot be metered.
    require_in_range("volume_ml", volume_ml, max(0.0, -law.lag_s * flow_now_ml_s), math.inf, "mL")
    return volume_ml / flow_now_ml_s + law.lag_s
