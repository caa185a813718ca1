"""A fitted line: numbers, residuals and what was found in them."""

import math

from controller.metering.dose import Prediction, Tolerance, mi008_ml, predict, smallest_dose_ml
from controller.metering.flow_law import FlowLaw, Scatter
from controller.metering.residuals import Curvature, Outlier
from controller.metering.trials import Trial
from controller.model.fields import Value


class Fit(Value, frozen=True, kw_only=True):
    """A fitted line.

    left_out: indexes from 0 of trials that do not count, since the others do not bear them out. chi_squared and
    agreement (the probability of so large a value) hold the others against the weighing's uncertainties alone.
    warnings: one sentence each, with numbers.
    """

    trials: tuple[Trial, ...]
    law: FlowLaw
    residuals_ml: tuple[float, ...]
    chi_squared: float
    degrees_of_freedom: int
    agreement: float | None
    lag_is_known: bool
    sag_is_known: bool
    curvature: Curvature | None
    outliers: tuple[Outlier, ...]
    left_out: tuple[int, ...]
    exchanged: tuple[int, int] | None
    warnings: tuple[str, ...]

    @property
    def flow_ml_s(self) -> float:
        """Flow, mL/s."""
        return self.law.flow_ml_s

    @property
    def lag_s(self) -> float:
        """Lag, s."""
        return self.law.lag_s

    @property
    def sag_per_a(self) -> float:
        """Sag, 1/A; 0 when no trial ran beside others."""
        return self.law.sag_per_a

    @property
    def covariance(self) -> tuple[tuple[float, ...], ...]:
        """3 x 3 covariance of flow (mL/s), lag (s), sag (1/A)."""
        return self.law.covariance

    @property
    def u_flow_ml_s(self) -> float:
        """Standard uncertainty of the flow, mL/s."""
        return math.sqrt(self.law.covariance[0][0])

    @property
    def u_lag_s(self) -> float:
        """Standard uncertainty of the lag, s."""
        return math.sqrt(self.law.covariance[1][1])

    @property
    def u_sag_per_a(self) -> float:
        """Standard uncertainty of the sag, 1/A."""
        return math.sqrt(self.law.covariance[2][2])

    @property
    def cov_flow_lag(self) -> float:
        """Covariance of flow and lag, mL."""
        return self.law.covariance[0][1]

    @property
    def scatter(self) -> Scatter:
        """How single runs scatter."""
        return self.law.scatter

    def run_time_s(self, volume_ml: float, others_a: float = 0.0) -> float:
        """On-time (s) for a mean volume (mL, > 0) beside others that draw others_a (A)."""
        return self.law.run_time_s(volume_ml, others_a)

    def delivered_ml(self, on_s: float, others_a: float = 0.0) -> float:
        """Mean volume (mL) of a run of on_s (s, >= 0) beside others that draw others_a (A)."""
        return self.law.delivered_ml(on_s, others_a)

    def predict(self, dose_ml: float, tolerance: Tolerance = mi008_ml, others_a: float = 0.0) -> Prediction:
        """What to expect of a dose (mL, > 0); see `controller.metering.dose.predict`."""
        return predict(self.law, dose_ml, tolerance, others_a)

    def smallest_dose_ml(
        self, tolerance: Tolerance = mi008_ml, others_a: float = 0.0, up_to_ml: float = 250.0
    ) -> float | None:
        """Smallest dose inside the tolerance; see `controller.metering.dose.smallest_dose_ml`."""
        return smallest_dose_ml(self.law, tolerance, others_a, up_to_ml)
