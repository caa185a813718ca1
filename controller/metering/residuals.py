"""What the residuals say: a bend, a trial that does not belong, masses noted for the wrong run."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from controller.errors import Refused
from controller.metering.distributions import chi_squared_tail, t_two_sided
from controller.metering.flow_law import FlowLaw, gradient_of
from controller.metering.least_squares import solve
from controller.metering.regression import estimate, wants_sag
from controller.metering.scatter import Assumed, assume_each, law_under, surprises
from controller.metering.trials import DEFAULT_PRIOR, Prior, Trial, number_of
from controller.model.fields import Value

# Error probabilities: a bend is reported at 1 %, as is customary. A trial is wild at 2 % after Bonferroni's correction:
# of 0.5 to 10 % this brings the fit of trials with one mistyped digit closest to that of the same trials without it.
BEND_PROBABILITY = 0.01
OUTLIER_PROBABILITY = 0.02
ENOUGH_TRIALS = 6


class Curvature(Value, frozen=True, kw_only=True):
    """Quadratic term added to the straight line (mL/s2), its standard uncertainty, and Student's test of it.

    flow_change: change of flow over the range of run times, as a fraction of the flow.
    """

    term_ml_s2: float
    u_term_ml_s2: float
    probability: float
    flow_change: float

    @property
    def is_significant(self) -> bool:
        """Whether a straight line does not fit."""
        return self.probability < BEND_PROBABILITY


class Outlier(Value, frozen=True, kw_only=True):
    """A trial (index from 0) that the others do not bear out.

    expected_ml: what the others lead to. probability: of so large a gap, times the number of trials (Bonferroni).
    suggestion: what may have happened, "" when nothing fits.
    """

    index: int
    expected_ml: float
    probability: float
    suggestion: str


def curvature(trials: Sequence[Trial], law: FlowLaw, weights: Sequence[float]) -> Curvature | None:
    """Test the straight line against a bend; None with fewer than 3 different run times or no residual to spare."""
    size = 3 if wants_sag(trials) else 2
    spare = len(trials) - size - 1
    if spare < 1 or len({round(trial.on_s, 6) for trial in trials}) < 3:
        return None
    middle_s = math.fsum(trial.on_s for trial in trials) / len(trials)
    rows = []
    for trial in trials:
        gradient = gradient_of(law.flow_ml_s, law.lag_s, law.sag_per_a, trial.on_s, trial.others_a)
        rows.append((*gradient[:size], (1.0 - law.sag_per_a * trial.others_a) * (trial.on_s - middle_s) ** 2))
    gaps = [trial.volume_ml - mean_ml(law, trial.on_s, trial.others_a) for trial in trials]
    try:
        bent = solve(rows, gaps, weights)
    except Refused:
        return None
    term = bent.parameters[size]
    u_term = math.sqrt(bent.covariance[size][size] * bent.chi_squared / spare)
    range_s = max(trial.on_s for trial in trials) - min(trial.on_s for trial in trials)
    change = 2.0 * term * range_s / law.flow_ml_s
    # A bend that no scale could show is none, however well exact figures fit it.
    visible = abs(change) > 1e-6
    return Curvature(
        term_ml_s2=term,
        u_term_ml_s2=u_term,
        probability=(t_two_sided(term / u_term, spare) if u_term > 0.0 else 0.0) if visible else 1.0,
        flow_change=change,
    )


def mean_ml(law: FlowLaw, on_s: float, others_a: float) -> float:
    """The law without its stop at zero: volume (mL) that a trial of on_s (s) beside others (A) is held against."""
    return law.flow_ml_s * (1.0 - law.sag_per_a * others_a) * (on_s - law.lag_s)


@dataclass(frozen=True, kw_only=True)
class Sifted:
    """The trials that count, by index from 0, the fits of these, and what was found to be wild, the worst first."""

    kept: tuple[int, ...]
    assumed: tuple[Assumed, ...]
    outliers: tuple[Outlier, ...]
    exchanged: tuple[int, int] | None


def sift(trials: Sequence[Trial], prior: Prior, *, full_prior: bool) -> Sifted:
    """Find trials that the others do not bear out, one after the other; leave them out where enough others stand.

    Each trial is held against what the others predict (the mean-shift model: R. D. Cook and S. Weisberg, Residuals
    and Influence in Regression, 1982, section 2.2.2), with Bonferroni's correction. Of ENOUGH_TRIALS or more up to a
    quarter is left out; with more wild ones than that the fit is refused. Of fewer trials one is named and stays.
    """
    kept = list(range(len(trials)))
    pair = exchanged(trials, prior)
    is_enough = len(trials) >= ENOUGH_TRIALS
    if pair is not None and is_enough:
        kept = [index for index in kept if index not in pair]
    found: list[Outlier] = []
    while True:
        assumed = assume_each([trials[index] for index in kept], prior, full_prior=full_prior)
        wild = _wildest(trials, kept, assumed, prior)
        if wild is None:
            return Sifted(kept=tuple(kept), assumed=assumed, outliers=tuple(found), exchanged=pair)
        found.append(wild)
        if not is_enough:
            return Sifted(kept=tuple(kept), assumed=assumed, outliers=tuple(found), exchanged=pair)
        if len(found) > len(trials) // 4:
            named = ", ".join(str(number_of(trials, one.index)) for one in found)
            raise Refused(
                rule="trials",
                reason=f"the trials contradict each other: trials {named} do not fit the others.",
                remedy="Strike those that were weighed wrongly, or start over.",
            )
        kept.remove(wild.index)


def _wildest(trials: Sequence[Trial], kept: Sequence[int], assumed: Sequence[Assumed], prior: Prior) -> Outlier | None:
    """The trial without which the others agree best, when they do not bear it out."""
    if len(kept) <= 2:
        return None
    worst = min(surprises(assumed), key=lambda one: one.log_density)
    probability = min(1.0, worst.probability * len(kept))
    if probability >= OUTLIER_PROBABILITY:
        return None
    index = kept[worst.index]
    expected_ml = max(0.0, trials[index].volume_ml - worst.gap_ml)
    return Outlier(
        index=index,
        expected_ml=expected_ml,
        probability=probability,
        suggestion=_suggestion(trials, index, expected_ml, prior, [other for other in kept if other != index]),
    )


def _suggestion(
    trials: Sequence[Trial], index: int, expected_ml: float, prior: Prior, others_kept: Sequence[int]
) -> str:
    """What may have happened to a trial that does not fit, by the law of those that do; "" when nothing fits."""
    trial = trials[index]
    try:
        law = law_under(assume_each([trials[other] for other in others_kept], prior, full_prior=False))
    except Refused:
        return ""

    def fits(volume_ml: float) -> bool:
        return abs(trial.volume_ml - volume_ml) <= 3.0 * max(trial.u_volume_ml, law.scatter.at_ml(volume_ml))

    others = [(k, other) for k, other in enumerate(trials) if abs(other.on_s - trial.on_s) > 1e-6]
    near = min(others, key=lambda pair: abs(trial.volume_ml - pair[1].volume_ml), default=None)
    if near is not None and fits(mean_ml(law, near[1].on_s, trial.others_a)):
        return f"It looks like the mass of trial {number_of(trials, near[0])} ({near[1].on_s:g} s)."
    if index > 0 and fits(expected_ml + trials[index - 1].volume_ml):
        before = number_of(trials, index - 1)
        return f"It looks as if the jar still held trial {before}: empty and tare it before each run."
    if fits(10.0 * expected_ml) or fits(0.1 * expected_ml):
        return "It looks like a slipped decimal point."
    return ""


def exchanged(trials: Sequence[Trial], prior: Prior = DEFAULT_PRIOR) -> tuple[int, int] | None:
    """Indexes of two trials whose masses, exchanged, would bring all of them into line; None when there are none.

    Held against the scatter assumed before, since two exchanged masses spoil the scatter that the residuals show.
    """
    before = _disagreement(trials, prior)
    dof = max(1, len(trials) - (3 if wants_sag(trials) else 2))
    if before < math.inf and chi_squared_tail(before, dof) > 0.001:
        return None
    best, pair = math.inf, None
    for i, j in itertools.combinations(range(len(trials)), 2):
        if abs(trials[i].on_s - trials[j].on_s) < 1e-6:
            continue
        swapped = list(trials)
        swapped[i], swapped[j] = _with_mass_of(trials[i], trials[j]), _with_mass_of(trials[j], trials[i])
        after = _disagreement(swapped, prior)
        if after < best:
            best, pair = after, (i, j)
    return pair if best < 0.1 * before and best < 10.0 * dof else None


def _with_mass_of(trial: Trial, other: Trial) -> Trial:
    return Trial(trial.on_s, other.volume_ml, other.u_volume_ml, trial.others_a)


def _disagreement(trials: Sequence[Trial], prior: Prior) -> float:
    """Chi-squared under the assumed scatter with what is known of the lag; infinite when the flow is not positive."""
    variances = [
        trial.u_volume_ml**2 + prior.scatter_ml**2 + (prior.scatter_fraction * trial.volume_ml) ** 2 for trial in trials
    ]
    try:
        return estimate(trials, [1.0 / variance for variance in variances], prior, full_prior=True).chi_squared
    except Refused:
        return math.inf
