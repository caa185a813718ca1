"""How runs scatter, found from the residuals of a calibration."""

import math
from collections.abc import Sequence

from controller.metering.flow_law import Scatter
from controller.metering.least_squares import dot
from controller.metering.regression import estimate, leans_on_lag, leans_on_sag
from controller.metering.trials import Prior, Trial

# Volumes at which the fixed part of the scatter gives way to the proportional one, as multiples of where the prior has
# it. No pump is taken to scatter wholly one way: that could not be told from trials, and spoils doses far from them.
_CROSSINGS = (0.04, 0.1, 0.2, 0.4, 0.7, 1.0, 1.5, 2.5, 5.0, 10.0, 25.0)
# Degrees of freedom below which the scatter assumed before fills up what the residuals lack.
ENOUGH_DOF = 4.0
_FLOOR = 1e-10  # of the mean volume: exact trials still give a finite likelihood


def find_scatter(trials: Sequence[Trial], prior: Prior, *, full_prior: bool) -> Scatter:
    """Scatter of single runs, the weighing's own included (the safe side), by restricted maximum likelihood.

    The standard deviation is hypot(a, b V). For each of several crossings a/b the residuals of a weighted fit give the
    scale and the likelihood; the result is their mean, weighted by likelihood, so that few trials do not pretend to
    know the shape. The prior's scatter counts with its degrees of freedom when full_prior is set; else only as far as
    the residuals have fewer than ENOUGH_DOF.
    """
    volumes = [max(trial.volume_ml, 1e-3) for trial in trials]
    middle_ml = math.exp(math.fsum(map(math.log, volumes)) / len(volumes))
    assumed_ml = prior.scatter_ml / prior.scatter_fraction
    found = [_scale(trials, prior, factor * assumed_ml, middle_ml, full_prior) for factor in _CROSSINGS]
    best = max(log_likelihood for log_likelihood, *_ in found)
    shares = [math.exp(log_likelihood - best) for log_likelihood, *_ in found]
    total = math.fsum(shares)
    return Scatter(
        fixed_ml=math.sqrt(dot(shares, [one[1] for one in found]) / total),
        fraction=math.sqrt(dot(shares, [one[2] for one in found]) / total),
        degrees_of_freedom=dot(shares, [one[3] for one in found]) / total,
    )


def _scale(
    trials: Sequence[Trial], prior: Prior, crossing_ml: float, middle_ml: float, full_prior: bool
) -> tuple[float, float, float, float]:
    """ln likelihood, a^2 (mL^2), b^2 and degrees of freedom, for one crossing a/b."""
    shape = [1.0 + (max(trial.volume_ml, 1e-3) / crossing_ml) ** 2 for trial in trials]
    middle_shape = 1.0 + (middle_ml / crossing_ml) ** 2
    assumed = (prior.scatter_ml**2 + (prior.scatter_fraction * middle_ml) ** 2) / middle_shape
    scale = assumed
    # The scale itself weighs the trials against what is known before; without that, one round is exact.
    leans = full_prior or leans_on_lag(trials) or leans_on_sag(trials)
    for _ in range(3 if leans else 1):
        found = estimate(trials, [1.0 / (scale * g) for g in shape], prior, full_prior=full_prior)
        dof = max(0.0, len(trials) - math.fsum(found.leverages))
        prior_dof = prior.scatter_dof if full_prior else max(0.0, ENOUGH_DOF - dof)
        squares = math.fsum(r * r / g for r, g in zip(found.residuals_ml, shape, strict=True))
        squares += len(trials) * (_FLOOR * middle_ml) ** 2 / middle_shape
        pooled = prior_dof * assumed + squares
        free = len(trials) - dof
        determinant = found.log_determinant + free * math.log(scale)
        scale = pooled / (prior_dof + dof)
    log_likelihood = -0.5 * (
        (prior_dof + dof) * math.log(pooled)
        - (prior_dof * math.log(prior_dof * assumed) if prior_dof > 0.0 else 0.0)
        + math.fsum(map(math.log, shape))
        + determinant
    )
    # A mild preference for the crossing assumed before: a factor of 4 away counts as one standard deviation.
    away = math.log(crossing_ml * prior.scatter_fraction / prior.scatter_ml) / math.log(4.0)
    return log_likelihood - 0.5 * min(1.2, abs(away)) ** 2, scale, scale / crossing_ml**2, prior_dof + dof
