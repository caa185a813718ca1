"""What to expect of a dose: run time, uncertainty, 95 % interval, and the smallest dose inside a tolerance."""

from collections.abc import Callable

from controller.errors import OutOfRange, require_in_range, require_positive
from controller.metering.distributions import coverage_factor
from controller.metering.flow_law import FlowLaw
from controller.model.fields import Value

Tolerance = Callable[[float], float]

LARGEST_DOSE_ML = 1000.0


def mi008_ml(dose_ml: float) -> float:
    """Tolerance of a capacity serving measure, mL either way: under 100 mL +-2 mL, from 100 mL +-3 %.

    Source: Directive 2014/32/EU, Annex X (MI-008), chapter II, table 1, transfer measures with a filling mark (from
    memory); the same figures stand in OIML R 138:2007, 5.1.1.
    """
    require_positive("dose_ml", dose_ml, "mL")
    return 2.0 if dose_ml < 100.0 else 0.03 * dose_ml


class Prediction(Value, frozen=True, kw_only=True):
    """One dose: on-time, standard uncertainty of what a single run delivers, 95 % interval, and the tolerance."""

    dose_ml: float
    run_time_s: float
    u_ml: float
    degrees_of_freedom: float
    u95_ml: float
    low_ml: float
    high_ml: float
    tolerance_ml: float

    @property
    def is_inside(self) -> bool:
        """Whether the whole 95 % interval lies within the tolerance."""
        return self.u95_ml <= self.tolerance_ml


def predict(law: FlowLaw, dose_ml: float, tolerance: Tolerance = mi008_ml, others_a: float = 0.0) -> Prediction:
    """What to expect of a dose (mL, > 0) poured beside others that draw others_a (A).

    The variance is that of the mean volume (flow, lag, sag with covariance) plus that of a single run (scatter); the
    coverage factor is Student's t for 95 %. OutOfRange for a dose smaller than the line can meter.
    """
    run_time_s = law.run_time_s(dose_ml, others_a)
    u_ml, degrees_of_freedom = law.single_run(run_time_s, others_a)
    u95_ml = coverage_factor(degrees_of_freedom) * u_ml
    return Prediction(
        dose_ml=dose_ml,
        run_time_s=run_time_s,
        u_ml=u_ml,
        degrees_of_freedom=degrees_of_freedom,
        u95_ml=u95_ml,
        low_ml=dose_ml - u95_ml,
        high_ml=dose_ml + u95_ml,
        tolerance_ml=tolerance(dose_ml),
    )


def smallest_dose_ml(
    law: FlowLaw, tolerance: Tolerance = mi008_ml, others_a: float = 0.0, up_to_ml: float = 250.0
) -> float | None:
    """Smallest dose from which every dose up to up_to_ml (mL, > 0) keeps its 95 % interval inside the tolerance.

    The interval must also stay above zero: what may be nothing is no dose. None when up_to_ml itself is outside.
    Doses are tried on a ladder of 2 % steps, with both sides of 100 mL (there MI-008 changes from mL to %).
    """
    require_in_range("up_to_ml", up_to_ml, 0.05, LARGEST_DOSE_ML, "mL")
    ladder = {100.0 * 1.02**step for step in range(-400, 120)} | {99.999, up_to_ml}
    smallest = None
    for dose_ml in sorted((dose for dose in ladder if 0.05 <= dose <= up_to_ml), reverse=True):
        try:
            expected = predict(law, dose_ml, tolerance, others_a)
        except OutOfRange:
            break
        if not (expected.is_inside and expected.low_ml > 0.0):
            break
        smallest = dose_ml
    return smallest
