"""Which trials to run: the wanted dose error with the least liquid, and what to run next."""

import itertools
import math
from collections.abc import Sequence
from functools import lru_cache

from controller.errors import Refused, require_positive
from controller.metering.distributions import coverage_factor, t_quantile
from controller.metering.dose import Tolerance, mi008_ml, predict
from controller.metering.fitted import Fit
from controller.metering.flow_law import FlowLaw, gradient_of
from controller.metering.least_squares import dot, quadratic_form
from controller.metering.scatter import ENOUGH_DOF
from controller.metering.trials import DEFAULT_PRIOR, Prior
from controller.model.fields import Value

_Plan = tuple[float, int, float, int]  # volume of the short runs and how many, volume of the long ones and how many

_MOST_REPEATS = 10
_FEWEST_RUNS = 5  # besides the middle one: enough to see the scatter at all
_SHORTEST_S = 1.0  # shorter runs are mostly start and stop


class DoseRange(Value, frozen=True, kw_only=True):
    """Doses to be served, mL, and the error allowed of each (95 %, half-width)."""

    low_ml: float = 5.0
    high_ml: float = 250.0

    def __post_init__(self) -> None:
        require_positive("low_ml", self.low_ml, "mL")
        if not self.high_ml > self.low_ml:
            raise Refused(
                rule="dose range",
                reason=f"the range {self.low_ml:g} to {self.high_ml:g} mL is empty.",
                remedy="Turn it round.",
            )

    def samples_ml(self) -> tuple[float, ...]:
        """Doses to hold against the tolerance: both ends, a ladder between, both sides of 100 mL (MI-008's step)."""
        ladder = [self.low_ml * (self.high_ml / self.low_ml) ** (k / 6.0) for k in range(7)]
        return tuple(sorted({*ladder, *(dose for dose in (99.9, 100.0) if self.low_ml < dose < self.high_ml)}))


class Design(Value, frozen=True, kw_only=True):
    """Trials to run: (on-time in s, repeats), the liquid they take, the tightest dose, and why."""

    runs: tuple[tuple[float, int], ...]
    liquid_ml: float
    tightest_dose_ml: float
    u95_ml: float
    tolerance_ml: float
    reason: str


@lru_cache(maxsize=64)
def _t95(degrees_of_freedom: float) -> float:
    return t_quantile(0.95, degrees_of_freedom)


def design_trials(
    flow_ml_s: float,
    doses: DoseRange | None = None,
    tolerance: Tolerance = mi008_ml,
    *,
    prior: Prior = DEFAULT_PRIOR,
    u_volume_ml: float = 0.05,
    most_ml: float = 250.0,
) -> Design:
    """Run times and repeats that keep every dose's 95 % error within the tolerance, with the least liquid.

    flow_ml_s (mL/s, > 0): expected flow. prior: expected lag and scatter. u_volume_ml (mL, > 0): of each weighing.
    most_ml (mL, > 0): largest single run. The design is a short run and a long one, repeated, and one between them that
    shows a bend; the short one is at most twice the smallest dose, the long one at least half the largest (or most_ml),
    so that no dose leans far on the straight line. Refused when the scatter of single runs alone is too large.
    """
    require_positive("flow_ml_s", flow_ml_s, "mL/s")
    require_positive("u_volume_ml", u_volume_ml, "mL")
    require_positive("most_ml", most_ml, "mL")
    wanted = doses or DoseRange()
    samples = wanted.samples_ml()
    plans = _plans(wanted, flow_ml_s * (_SHORTEST_S + max(0.0, prior.lag_s)), most_ml)
    for plan in plans:
        ratio, dose_ml, u95_ml = _tightest(plan, samples, tolerance, prior, u_volume_ml)
        if ratio <= 1.0:
            return _design(plan, (dose_ml, u95_ml, tolerance(dose_ml)), flow_ml_s, prior)
    _, dose_ml, u95_ml = min(_tightest(plan, samples, tolerance, prior, u_volume_ml) for plan in plans)
    raise Refused(
        rule="dose error",
        reason=f"no trials reach it: even the best leave +-{u95_ml:.2f} mL at {dose_ml:.3g} mL, where single runs "
        f"scatter by {_single_ml(dose_ml, prior):.2f} mL.",
        asked=f"+-{tolerance(dose_ml):.2f} mL",
        allowed=f"+-{u95_ml:.2f} mL or more",
        remedy="Ask for less, or reduce the pump's scatter first (new tube, steadier supply).",
    )


def _plans(wanted: DoseRange, shortest_ml: float, most_ml: float) -> list[_Plan]:
    """Every plan worth a look, least liquid first."""
    lows = {max(shortest_ml, factor * wanted.low_ml) for factor in (0.5, 1.0, 2.0)}
    highs = {min(most_ml, factor * wanted.high_ml) for factor in (0.5, 0.7, 1.0)}
    repeats = range(2, _MOST_REPEATS + 1)
    plans = [
        (low, n_low, high, n_high)
        for low, high, n_low, n_high in itertools.product(lows, highs, repeats, repeats)
        if high >= 3.0 * low and n_low + n_high >= _FEWEST_RUNS
    ]
    if not plans:
        raise Refused(
            rule="trials",
            reason=f"runs of {min(lows):.3g} mL at least and {most_ml:g} mL at most leave no room for two run times.",
            remedy="Allow larger runs.",
        )
    return sorted(plans, key=lambda plan: (_liquid_ml(*plan), plan))


def _single_ml(volume_ml: float, prior: Prior) -> float:
    return math.hypot(prior.scatter_ml, prior.scatter_fraction * volume_ml)


def _liquid_ml(low_ml: float, n_low: int, high_ml: float, n_high: int) -> float:
    return n_low * low_ml + math.sqrt(low_ml * high_ml) + n_high * high_ml


def _tightest(
    plan: _Plan,
    samples: Sequence[float],
    tolerance: Tolerance,
    prior: Prior,
    u_volume_ml: float,
) -> tuple[float, float, float]:
    """(95 % error over tolerance, dose, error) where a line through the two groups of runs is tightest.

    The run between them is left out here: it is there to show a bend.
    """
    low_ml, n_low, high_ml, n_high = plan
    of_low = (_single_ml(low_ml, prior) ** 2 + u_volume_ml**2) / n_low
    of_high = (_single_ml(high_ml, prior) ** 2 + u_volume_ml**2) / n_high
    span = high_ml - low_ml
    worst = (0.0, samples[0], 0.0)
    for dose_ml in samples:
        mean = ((high_ml - dose_ml) ** 2 * of_low + (dose_ml - low_ml) ** 2 * of_high) / span**2
        u95_ml = _t95(max(n_low + n_high - 2, ENOUGH_DOF)) * math.sqrt(mean + _single_ml(dose_ml, prior) ** 2)
        worst = max(worst, (u95_ml / tolerance(dose_ml), dose_ml, u95_ml))
    return worst


def _design(
    plan: _Plan,
    tightest: tuple[float, float, float],
    flow_ml_s: float,
    prior: Prior,
) -> Design:
    low_ml, n_low, high_ml, n_high = plan
    liquid_ml = _liquid_ml(*plan)
    volumes = ((low_ml, n_low), (math.sqrt(low_ml * high_ml), 1), (high_ml, n_high))
    runs = tuple((round(volume / flow_ml_s + prior.lag_s, 1), repeats) for volume, repeats in volumes)
    dose_ml, u95_ml, tolerance_ml = tightest
    return Design(
        runs=runs,
        liquid_ml=liquid_ml,
        tightest_dose_ml=dose_ml,
        u95_ml=u95_ml,
        tolerance_ml=tolerance_ml,
        reason=(
            f"{n_low} runs of {runs[0][0]:g} s determine the lag, {n_high} of {runs[2][0]:g} s the flow, repeats the "
            f"scatter ({n_low + n_high - 2} degrees of freedom), one of {runs[1][0]:g} s shows a bend. "
            f"{liquid_ml:.0f} mL in all. Tightest at {dose_ml:.3g} mL: +-{u95_ml:.2f} mL expected, "
            f"+-{tolerance_ml:.2f} mL allowed."
        ),
    )


def next_run_time_s(
    fitted: Fit, doses: DoseRange | None = None, tolerance: Tolerance = mi008_ml, *, most_ml: float = 250.0
) -> float | None:
    """The on-time (s) of the trial that would help most, to 0.1 s; None when enough is known.

    Enough: no trial in doubt, three run times, 4 degrees of freedom, and every dose of the range inside the tolerance.
    First comes a repeat of a trial in doubt, then the run time that most lowers the worst error over tolerance. What
    all trials share does not count: no further trial lowers it.
    """
    doubtful: list[int] = [*(fitted.exchanged or ()), *(one.index for one in fitted.outliers)]
    still_counted = [index for index in doubtful if index not in fitted.left_out]
    if still_counted:
        return fitted.trials[still_counted[0]].on_s
    law = fitted.with_common(0.0)
    samples = [dose for dose in (doses or DoseRange()).samples_ml() if dose > -fitted.lag_s * fitted.flow_ml_s]
    ran_s = {round(trial.on_s, 1) for trial in fitted.trials}
    is_enough = len(ran_s) >= 3 and fitted.degrees_of_freedom >= 4
    if is_enough and all(predict(law, dose, tolerance).is_inside for dose in samples):
        return None
    candidates = [dose for dose in samples if dose <= most_ml]
    if not candidates:  # the line seems to give more than that before it has begun: the trials must be looked at first
        return round(max(_SHORTEST_S, most_ml / fitted.flow_ml_s), 1)
    times_s = {round(max(_SHORTEST_S, fitted.run_time_s(dose)), 1) for dose in candidates}
    if len(ran_s) < 3:
        times_s = {time_s for time_s in times_s if time_s not in ran_s} or times_s
    return min(times_s, key=lambda time_s: (round(_worst_after(law, time_s, samples, tolerance), 3), time_s))


def _worst_after(law: FlowLaw, on_s: float, samples: Sequence[float], tolerance: Tolerance) -> float:
    """Worst 95 % error over tolerance, had one more run of on_s been weighed."""
    gradient = gradient_of(law.flow_ml_s, law.lag_s, law.sag_per_a, on_s, 0.0)
    gain = [dot(row, gradient) for row in law.covariance]
    single_ml = law.scatter.at_ml(law.delivered_ml(on_s))
    total = single_ml**2 + quadratic_form(law.covariance, gradient)
    factor = coverage_factor(law.scatter.degrees_of_freedom)
    worst = 0.0
    for dose_ml in samples:
        run_s = law.run_time_s(dose_ml)
        here = gradient_of(law.flow_ml_s, law.lag_s, law.sag_per_a, run_s, 0.0)
        shared = dot(gain, here)
        mean = max(0.0, law.u_mean_ml(run_s) ** 2 - shared**2 / total)
        worst = max(worst, factor * math.sqrt(mean + law.scatter.at_ml(dose_ml) ** 2) / tolerance(dose_ml))
    return worst
