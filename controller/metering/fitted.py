"""A fitted line: its law, residuals and what was found in them."""

import math

from controller.metering.flow_law import FlowLaw
from controller.metering.residuals import Curvature, Outlier
from controller.metering.trials import Trial
from controller.model.weighing import FitRemark


class Fit(FlowLaw, frozen=True, kw_only=True):
    """The law of a line with the trials behind it.

    left_out: indexes from 0 of trials that do not count, since the others do not bear them out. chi_squared and
    agreement (the probability of so large a value) hold the others against the weighing's uncertainties alone.
    warnings: what the fit has to say about itself.
    """

    trials: tuple[Trial, ...]
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
    warnings: tuple[FitRemark, ...]

    @property
    def u_flow_ml_s(self) -> float:
        """Standard uncertainty of the flow, mL/s."""
        return math.sqrt(self.covariance[0][0])

    @property
    def u_lag_s(self) -> float:
        """Standard uncertainty of the lag, s."""
        return math.sqrt(self.covariance[1][1])

    @property
    def u_sag_per_a(self) -> float:
        """Standard uncertainty of the sag, 1/A."""
        return math.sqrt(self.covariance[2][2])

    @property
    def cov_flow_lag(self) -> float:
        """Covariance of flow and lag, mL."""
        return self.covariance[0][1]
