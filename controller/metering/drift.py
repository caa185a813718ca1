"""Whether a calibration still holds: CUSUM charts over spot checks and over weighed servings, and its age."""

import math
from collections.abc import Sequence
from statistics import NormalDist
from typing import Literal

from controller.errors import require_in_range, require_positive
from controller.metering.distributions import t_two_sided
from controller.metering.flow_law import FlowLaw, gradient_of
from controller.metering.least_squares import Matrix, dot
from controller.metering.trials import Trial
from controller.model.fields import Value

DriftStatus = Literal["in control", "flagged", "blocked for small doses"]


# Two-sided CUSUM, in standard deviations of one check (D. C. Montgomery, Statistical Quality Control). Average
# number of checks to a false flag, and when every check is off by one or two standard deviations: 168, 8.4, 3.3. To a
# block: about 9500, 16, 6.0.
REFERENCE, FLAG_ABOVE, BLOCK_ABOVE = 0.5, 4.0, 8.0
MOST_DEVIATIONS = 3.5  # that one serving counts for, so that a first knock flags no line; common practice, no source
BLOCK_FACTOR = 2.0  # how far beyond the age at which it is flagged a calibration is blocked for small doses


class ChartPoint(Value, frozen=True, kw_only=True):
    """One spot check on the chart.

    expected_ml: by calibration and earlier checks together. fraction: how far off the calibration alone. deviations:
    how far off expected_ml, in standard deviations. high, low: the two sums after this check.
    """

    expected_ml: float
    volume_ml: float
    fraction: float
    deviations: float
    high: float
    low: float


class Chart(Value, frozen=True, kw_only=True):
    """The chart of one calibration's spot checks, oldest first."""

    points: tuple[ChartPoint, ...]

    @property
    def status(self) -> DriftStatus:
        """By the worse of the two sums at the last check."""
        highest = max(self.points[-1].high, self.points[-1].low) if self.points else 0.0
        if highest > BLOCK_ABOVE:
            return "blocked for small doses"
        return "flagged" if highest > FLAG_ABOVE else "in control"

    @property
    def shift_fraction(self) -> float:
        """Mean deviation, as a fraction of volume, over the checks since the leading sum left zero; 0 before any."""
        if not self.points or max(self.points[-1].high, self.points[-1].low) == 0.0:
            return 0.0
        is_high = self.points[-1].high >= self.points[-1].low
        since: list[float] = []
        for point in reversed(self.points):
            if (point.high if is_high else point.low) == 0.0:
                break
            since.append(point.fraction)
        return math.fsum(since) / len(since)


def chart(law: FlowLaw, spot_checks: Sequence[Trial]) -> Chart:
    """The chart of weighed runs since a calibration, oldest first.

    Each check is held against what the calibration and the checks before it lead one to expect (recursive residuals:
    R. L. Brown, J. Durbin and J. M. Evans, J. R. Stat. Soc. B 37 (1975) 149), so that the calibration's own error,
    common to all checks, is not taken for a drift. Residuals are carried from Student's t to the normal distribution,
    for which the run lengths hold. A check of no expected volume is refused by OutOfRange.
    """
    parameters = [law.flow_ml_s, law.lag_s, law.sag_per_a]
    covariance = law.covariance
    high = low = 0.0
    points = []
    for check in spot_checks:
        gradient = gradient_of(parameters[0], parameters[1], parameters[2], check.on_s, check.others_a)
        expected_ml = parameters[0] * gradient[0]
        calibrated_ml = law.delivered_ml(check.on_s, check.others_a)
        require_positive("expected volume of the spot check", min(expected_ml, calibrated_ml), "mL")
        gain = [dot(row, gradient) for row in covariance]
        variance = check.u_volume_ml**2 + law.scatter.at_ml(expected_ml) ** 2 + dot(gain, gradient)
        gap_ml = check.volume_ml - expected_ml
        _, degrees_of_freedom = law.single_run(check.on_s, check.others_a, check.u_volume_ml)
        deviations = _as_normal(gap_ml / math.sqrt(variance), degrees_of_freedom)
        high = max(0.0, high + deviations - REFERENCE)
        low = max(0.0, low - deviations - REFERENCE)
        points.append(
            ChartPoint(
                expected_ml=expected_ml,
                volume_ml=check.volume_ml,
                fraction=check.volume_ml / calibrated_ml - 1.0,
                deviations=deviations,
                high=high,
                low=low,
            )
        )
        parameters = [p + g * gap_ml / variance for p, g in zip(parameters, gain, strict=True)]
        covariance = _less(covariance, gain, variance)
    return Chart(points=tuple(points))


def servings_drift(deviations: Sequence[float], shift_fraction: float) -> str:
    """What weighed servings since a calibration say of it, a sentence; "" while they are in control.

    deviations: of each serving, oldest first, from what earlier servings led one to expect, in standard deviations (the
    normalised innovations of a Kalman filter, which are white while it is consistent: R. K. Mehra and J. Peschon,
    Automatica 7 (1971) 637). shift_fraction: of the flow as it is known now from the calibrated one.
    """
    high = low = 0.0
    for each in deviations:
        counted = max(-MOST_DEVIATIONS, min(MOST_DEVIATIONS, each))
        high = max(0.0, high + counted - REFERENCE)
        low = max(0.0, low - counted - REFERENCE)
    if max(high, low) <= FLAG_ABOVE:
        return ""
    return (
        f"Weighed servings bring {'more' if high >= low else 'less'} than those before let expect (CUSUM "
        f"{max(high, low):.1f}, flagged above {FLAG_ABOVE:g}); the flow is now {100 * shift_fraction:+.1f} % off the "
        "calibrated one. Weighed servings allow for it, but lines that pour at once may be taken for each other: "
        "spot-check this one and those beside it."
    )


def _less(covariance: Matrix, gain: Sequence[float], variance: float) -> Matrix:
    return tuple(
        tuple(entry - a * b / variance for entry, b in zip(row, gain, strict=True))
        for row, a in zip(covariance, gain, strict=True)
    )


def _as_normal(t: float, degrees_of_freedom: float) -> float:
    """The standard normal deviate that is as unlikely as this value of Student's t."""
    tail = max(t_two_sided(t, degrees_of_freedom) / 2.0, 1e-300)
    return math.copysign(-NormalDist().inv_cdf(min(tail, 0.5)), t)


class Age(Value, frozen=True, kw_only=True):
    """What a calibration has been through since it was taken, or may go through before it is flagged; all >= 0."""

    days: float
    litres: float
    run_hours: float

    def __post_init__(self) -> None:
        require_in_range("days", self.days, 0.0, math.inf, "days")
        require_in_range("litres", self.litres, 0.0, math.inf, "L")
        require_in_range("run_hours", self.run_hours, 0.0, math.inf, "h")


class DriftVerdict(Value, frozen=True, kw_only=True):
    """The worse of chart and age, and why, in sentences."""

    status: DriftStatus
    reasons: tuple[str, ...]

    @property
    def blocks_small_doses(self) -> bool:
        """Whether nothing small is to be poured from the line."""
        return self.status == "blocked for small doses"


def judge(drawn: Chart, age: Age, limits: Age) -> DriftVerdict:
    """Whether the calibration is to be trusted: by `Chart.status`, flagged from the limits' age on, then blocked."""
    statuses: list[DriftStatus] = [drawn.status]
    reasons = []
    if drawn.status != "in control":
        last = drawn.points[-1]
        reasons.append(
            f"The spot checks show {abs(100 * drawn.shift_fraction):.1f} % "
            f"{'more' if last.high >= last.low else 'less'} than calibrated (CUSUM "
            f"{max(last.high, last.low):.1f}, flagged above {FLAG_ABOVE:g}, "
            f"blocked above {BLOCK_ABOVE:g}): calibrate again."
        )
    for name, unit, limit, value in (
        ("age", "days", limits.days, age.days),
        ("throughput", "L", limits.litres, age.litres),
        ("running time", "h", limits.run_hours, age.run_hours),
    ):
        if value <= limit:
            continue
        is_blocked = value > BLOCK_FACTOR * limit
        statuses.append("blocked for small doses" if is_blocked else "flagged")
        reasons.append(
            f"The calibration's {name} is {value:.3g} {unit}, the limit {limit:g} {unit}: check or calibrate."
        )
    order: tuple[DriftStatus, ...] = ("in control", "flagged", "blocked for small doses")
    return DriftVerdict(status=max(statuses, key=order.index), reasons=tuple(reasons))
