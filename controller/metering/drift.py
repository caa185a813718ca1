"""Whether a calibration still holds: a CUSUM chart over spot checks, and its age."""

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


class ChartLimits(Value, frozen=True, kw_only=True):
    """Two-sided CUSUM, in standard deviations of one check (D. C. Montgomery, Statistical Quality Control).

    Average checks to a false flag or block, and to one when every check is off by one or two standard deviations
    (`run_length.average_run_length`): flag_at 4: 168, 8.4, 3.3; block_at 8: about 9500, 16, 6.0.
    """

    reference: float = 0.5
    flag_at: float = 4.0
    block_at: float = 8.0

    def __post_init__(self) -> None:
        require_positive("reference", self.reference, "standard deviations")
        require_positive("flag_at", self.flag_at, "standard deviations")
        require_in_range("block_at", self.block_at, self.flag_at, 100.0, "standard deviations")


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
    limits: ChartLimits

    @property
    def status(self) -> DriftStatus:
        """By the worse of the two sums at the last check."""
        highest = max(self.points[-1].high, self.points[-1].low) if self.points else 0.0
        if highest > self.limits.block_at:
            return "blocked for small doses"
        return "flagged" if highest > self.limits.flag_at else "in control"

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


def chart(law: FlowLaw, spot_checks: Sequence[Trial], limits: ChartLimits | None = None) -> Chart:
    """The chart of weighed runs since a calibration, oldest first.

    Each check is held against what the calibration and the checks before it lead one to expect (recursive residuals:
    R. L. Brown, J. Durbin and J. M. Evans, J. R. Stat. Soc. B 37 (1975) 149), so that the calibration's own error,
    common to all checks, is not taken for a drift. Residuals are carried from Student's t to the normal distribution,
    for which the run lengths hold. A check of no expected volume is refused by OutOfRange.
    """
    bounds = limits or ChartLimits()
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
        high = max(0.0, high + deviations - bounds.reference)
        low = max(0.0, low - deviations - bounds.reference)
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
    return Chart(points=tuple(points), limits=bounds)


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
    """What a calibration has been through since it was taken; all >= 0."""

    days: float
    litres: float
    run_hours: float

    def __post_init__(self) -> None:
        require_in_range("days", self.days, 0.0, math.inf, "days")
        require_in_range("litres", self.litres, 0.0, math.inf, "L")
        require_in_range("run_hours", self.run_hours, 0.0, math.inf, "h")


class AgeLimits(Value, frozen=True, kw_only=True):
    """Flagged from these on, blocked for small doses from block_factor times them; None: no limit.

    The defaults are a cautious reading of "every 3 days to 1 week" (laboratory teaching note) for daily use, stretched
    for a machine that works some evenings a year; common practice, no source. Check before each event.
    """

    days: float | None = 30.0
    litres: float | None = 50.0
    run_hours: float | None = 10.0
    block_factor: float = 2.0

    def __post_init__(self) -> None:
        for name, unit in (("days", "days"), ("litres", "L"), ("run_hours", "h")):
            value = getattr(self, name)
            if value is not None:
                require_positive(name, value, unit)
        require_in_range("block_factor", self.block_factor, 1.0, 100.0, "")


class DriftVerdict(Value, frozen=True, kw_only=True):
    """The worse of chart and age, and why, in sentences."""

    status: DriftStatus
    reasons: tuple[str, ...]


def judge(drawn: Chart, age: Age, limits: AgeLimits | None = None) -> DriftVerdict:
    """Is the calibration to be trusted? See `Chart.status` and `AgeLimits`."""
    statuses: list[DriftStatus] = [drawn.status]
    reasons = []
    if drawn.status != "in control":
        last = drawn.points[-1]
        reasons.append(
            f"The spot checks show {abs(100 * drawn.shift_fraction):.1f} % "
            f"{'more' if last.high >= last.low else 'less'} than calibrated (CUSUM "
            f"{max(last.high, last.low):.1f}, flagged above {drawn.limits.flag_at:g}, "
            f"blocked above {drawn.limits.block_at:g}): calibrate again."
        )
    bounds = limits or AgeLimits()
    for name, unit, limit, value in (
        ("age", "days", bounds.days, age.days),
        ("throughput", "L", bounds.litres, age.litres),
        ("running time", "h", bounds.run_hours, age.run_hours),
    ):
        if limit is None or value <= limit:
            continue
        is_blocked = value > bounds.block_factor * limit
        statuses.append("blocked for small doses" if is_blocked else "flagged")
        reasons.append(
            f"The calibration's {name} is {value:.3g} {unit}, the limit {limit:g} {unit}: check or calibrate."
        )
    order: tuple[DriftStatus, ...] = ("in control", "flagged", "blocked for small doses")
    return DriftVerdict(status=max(statuses, key=order.index), reasons=tuple(reasons))
