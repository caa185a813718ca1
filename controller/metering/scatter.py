"""How runs scatter, estimated from the residuals: a calibration under each of several scatters, and how likely each is.

The scatter of single runs is hypot(a, b V). Each pair (a, b) of a grid is assumed in turn and the trials are fitted
with it, the weighing's own variance beside it; the restricted likelihood (D. A. Harville, Biometrika 61 (1974) 383,
from memory) times what is believed of such pumps says how likely it is. Few trials, or a coarse scale, leave many
scatters likely, and the interval of a dose then holds them all.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

from controller.metering.flow_law import FlowLaw, Scatter
from controller.metering.least_squares import dot, quadratic_form, solve
from controller.metering.regression import Linear, linearised
from controller.metering.trials import Prior, Trial

# Volumes at which the fixed part of the scatter gives way to the proportional one, as multiples of where the prior has
# it. No pump is taken to scatter wholly one way: trials could not show that, and spoils doses far from them.
_CROSSINGS = (0.1, 0.3, 1.0, 3.0, 10.0)
# Standard deviations, as multiples of the prior's: 0.2 to 8 in equal ratios.
_SIZES = tuple(0.2 * 40.0 ** (step / 8.0) for step in range(9))
_MIDDLE_ML = 20.0  # where the sizes are compared: the geometric mean of the doses served, 5 to 80 mL
# What the residuals lack in degrees of freedom comes from the prior, which keeps one in any case.
ENOUGH_DOF, LEAST_PRIOR_DOF = 7.0, 1.0


@dataclass(frozen=True, kw_only=True)
class Assumed:
    """The trials fitted under one scatter.

    log_weight: ln of how likely this scatter is, up to a constant. left_out: for each trial, by how much it misses
    what the other ones lead to, and the standard deviation of that gap, mL.
    """

    fixed_ml: float
    fraction: float
    log_weight: float
    parameters: tuple[float, float, float]
    covariance: tuple[tuple[float, ...], ...]
    left_out: tuple[tuple[float, float], ...]

    @property
    def precision(self) -> float:
        """1 / variance of a single run of the middle volume."""
        return 1.0 / (self.fixed_ml**2 + (self.fraction * _MIDDLE_ML) ** 2)


def assume_each(trials: Sequence[Trial], prior: Prior, *, full_prior: bool) -> tuple[Assumed, ...]:
    """The trials under each scatter of the grid. Refused when no flow fits them."""
    linear = linearised(trials, prior, full_prior=full_prior)
    prior_dof = prior.scatter_dof if full_prior else _lacking_dof(trials, prior)
    crossing_ml = prior.scatter_ml / prior.scatter_fraction
    found = []
    for factor in _CROSSINGS:
        crossing = factor * crossing_ml
        # A mild preference for the crossing assumed before: a factor of 4 away counts as one standard deviation.
        of_crossing = -0.5 * min(1.2, abs(math.log(factor)) / math.log(4.0)) ** 2
        middle_ml = math.hypot(prior.scatter_ml, prior.scatter_fraction * _MIDDLE_ML)
        for size in _SIZES:
            # Scaled inverse chi-squared of the variance, for steps of equal ratio.
            log_prior = of_crossing - prior_dof * (math.log(size) + 0.5 / size**2)
            fixed_ml = size * middle_ml / math.hypot(1.0, _MIDDLE_ML / crossing)
            found.append(_assume(trials, linear, fixed_ml, fixed_ml / crossing, log_prior))
    return tuple(found)


def _lacking_dof(trials: Sequence[Trial], prior: Prior) -> float:
    """What the residuals lack: those that a coarse scale made say little of the pump."""
    weight = 0.0
    for trial in trials:
        of_pump = prior.scatter_ml**2 + (prior.scatter_fraction * trial.volume_ml) ** 2
        weight += (of_pump / (of_pump + trial.u_volume_ml**2)) ** 2
    spare = max(0.0, 1.0 - 2.0 / len(trials))
    return max(LEAST_PRIOR_DOF, ENOUGH_DOF - spare * weight)


def _assume(trials: Sequence[Trial], linear: Linear, fixed_ml: float, fraction: float, log_prior: float) -> Assumed:
    variances = [trial.u_volume_ml**2 + fixed_ml**2 + (fraction * trial.volume_ml) ** 2 for trial in trials]
    weights = [*(1.0 / variance for variance in variances), *linear.known_weights]
    found = solve(linear.rows, linear.gaps, weights)
    left_out = []
    for row, gap, variance in zip(linear.rows, linear.gaps, variances, strict=False):
        free = max(1e-9, 1.0 - quadratic_form(found.covariance, row) / variance)
        left_out.append(((gap - dot(row, found.parameters)) / free, math.sqrt(variance / free)))
    return Assumed(
        fixed_ml=fixed_ml,
        fraction=fraction,
        log_weight=log_prior - 0.5 * (math.fsum(map(math.log, variances)) + found.log_determinant + found.chi_squared),
        parameters=linear.moved(found.parameters),
        covariance=linear.padded(found.covariance),
        left_out=tuple(left_out),
    )


def law_under(assumed: Sequence[Assumed], *, weighing_share: float = 0.0) -> FlowLaw:
    """The mean of all assumptions, each as likely as it is.

    Variances are averaged with the precision as a further weight: that gives the scale parameter of the Student's t
    that the mixture comes close to, whose degrees of freedom follow from the spread of the precision.
    """
    weights = _shares([one.log_weight for one in assumed])
    precisions = [one.precision for one in assumed]
    mean = dot(weights, precisions)
    spread = math.fsum(w * (p - mean) ** 2 for w, p in zip(weights, precisions, strict=True))
    tilted = [w * p / mean for w, p in zip(weights, precisions, strict=True)]
    flow, lag, sag = (dot(tilted, [one.parameters[k] for one in assumed]) for k in range(3))
    covariance = [[0.0] * 3 for _ in range(3)]
    for share, one in zip(tilted, assumed, strict=True):
        off = (one.parameters[0] - flow, one.parameters[1] - lag, one.parameters[2] - sag)
        for i in range(3):
            for j in range(3):
                covariance[i][j] += share * (one.covariance[i][j] + off[i] * off[j])
    return FlowLaw(
        flow_ml_s=flow,
        lag_s=lag,
        sag_per_a=sag,
        covariance=tuple(map(tuple, covariance)),
        scatter=Scatter(
            fixed_ml=math.sqrt(dot(tilted, [one.fixed_ml**2 for one in assumed])),
            fraction=math.sqrt(dot(tilted, [one.fraction**2 for one in assumed])),
            degrees_of_freedom=2.0 * mean**2 / max(spread, 1e-6 * mean**2),
        ),
        weighing_share=weighing_share,
    )


def weighing_share(trials: Sequence[Trial], scatter: Scatter) -> float:
    """How much of the trials' variance is the weighing's, 0 to 1."""
    shares = [one.u_volume_ml**2 / (one.u_volume_ml**2 + scatter.at_ml(one.volume_ml) ** 2) for one in trials]
    return math.fsum(shares) / len(shares)


@dataclass(frozen=True, kw_only=True)
class Surprise:
    """A trial (index from 0) held against the other ones: its gap (mL) and the probability of one as large."""

    index: int
    gap_ml: float
    probability: float
    log_density: float


def surprises(assumed: Sequence[Assumed]) -> tuple[Surprise, ...]:
    """Every trial against what the others predict, each under every scatter, without fitting again.

    The density is the conditional predictive ordinate (S. Geisser, Predictive Inference, 1993, from memory). The trial
    with the smallest is the one without which the others agree best: unlike the largest residual, it is not masked
    when a wild trial has drawn the line to itself.
    """
    found = []
    for index in range(len(assumed[0].left_out)):
        densities = []
        for one in assumed:
            gap_ml, u_ml = one.left_out[index]
            densities.append(-0.5 * (gap_ml / u_ml) ** 2 - math.log(u_ml))
        without = [one.log_weight - density for one, density in zip(assumed, densities, strict=True)]
        weights = _shares(without)
        tails = [2.0 * NormalDist().cdf(-abs(one.left_out[index][0] / one.left_out[index][1])) for one in assumed]
        found.append(
            Surprise(
                index=index,
                gap_ml=dot(weights, [one.left_out[index][0] for one in assumed]),
                probability=dot(weights, tails),
                log_density=_log_sum([one.log_weight for one in assumed]) - _log_sum(without),
            )
        )
    return tuple(found)


def _log_sum(logs: Sequence[float]) -> float:
    top = max(logs)
    return top + math.log(math.fsum(math.exp(one - top) for one in logs))


def _shares(logs: Sequence[float]) -> list[float]:
    total = _log_sum(logs)
    return [math.exp(one - total) for one in logs]
