"""How much of a liquid an event takes: the exact distribution of a compound sum, and its quantiles.

Every guest takes a random number of drinks, every drink is a random one of the menu. The number of all drinks has a
generating function in closed form; put over the characteristic function of one drink it gives that of the volume, and
one Fourier transform turns that into probabilities on a grid of volumes (Klugman, Panjer, Willmot: Loss Models, the
chapter on aggregate losses, inversion by the fast Fourier transform; from memory). Who is not sure of the mean has the
number of drinks multiplied by a random factor: a gamma distributed one keeps the closed form.
"""

import cmath
import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from itertools import accumulate
from statistics import NormalDist, fmean

from controller.catering.fourier import transform
from controller.errors import require_in_range
from controller.model.event import DrinksPerGuest
from controller.model.fields import Value

_CELLS = 1 << 13
# The grid ends this many standard deviations above the mean. What lies beyond comes back at its lower end: even with
# the exponential tail of a few, very different guests that is less than exp(-16), 1e-7.
_DEVIATIONS = 16.0
_PARTS = 25  # of an uncertain factor of a fixed number
_NOTHING = 1e-15
_ROUNDING = 1e-9  # of summed probabilities


class Demand(Value, frozen=True, kw_only=True):
    """The distribution of a volume. cumulative[k] is the probability of at most k * step_ml."""

    mean_ml: float
    deviation_ml: float
    step_ml: float
    cumulative: tuple[float, ...]

    def quantile_ml(self, level: float) -> float:
        """The least volume that suffices with this probability (0 to 0.9999), exact to one step of the grid."""
        require_in_range("level", level, 0.0, 0.9999, "")
        return bisect_left(self.cumulative, level - _ROUNDING) * self.step_ml

    def probability(self, volume_ml: float) -> float:
        """Probability that volume_ml (mL, >= 0) suffices."""
        require_in_range("volume_ml", volume_ml, 0.0, math.inf, "mL")
        cell = math.floor(volume_ml / self.step_ml + _ROUNDING)
        return self.cumulative[min(cell, len(self.cumulative) - 1)]


def demand(
    drinks: DrinksPerGuest, guests: int, doses: Sequence[tuple[float, float]], *, uncertainty: float = 0.0
) -> Demand:
    """The volume that `guests` take of one liquid.

    doses: for each recipe with this liquid its volume (mL, > 0) and its share of all drinks; shares sum to 1 at most.
    uncertainty: of the number of drinks with this liquid, relative standard, 0 to 1.
    A volume that falls between two cells of the grid is shared out to both, so that its mean stays.
    """
    count_mean, count_variance = count_moments(drinks, guests, uncertainty)
    dose_mean = sum(share * volume_ml for volume_ml, share in doses)
    dose_variance = sum(share * volume_ml**2 for volume_ml, share in doses) - dose_mean**2
    mean_ml = count_mean * dose_mean
    deviation_ml = math.sqrt(max(0.0, count_mean * dose_variance + count_variance * dose_mean**2))
    longest_ml = mean_ml + _DEVIATIONS * deviation_ml + 2 * max((volume_ml for volume_ml, _ in doses), default=1.0)
    step_ml = _round_step(longest_ml / _CELLS)
    spectrum = _spectrum(
        [(volume_ml / step_ml, share) for volume_ml, share in doses], generating(drinks, guests, uncertainty)
    )
    masses = [max(0.0, one.real / _CELLS) for one in transform(spectrum)]
    total = sum(masses)
    return Demand(
        mean_ml=mean_ml,
        deviation_ml=deviation_ml,
        step_ml=step_ml,
        cumulative=tuple(one / total for one in accumulate(masses)),
    )


def share_uncertainty(inside: Sequence[float], outside: Sequence[float], uncertainty: float) -> float:
    """Relative standard uncertainty of a sum of shares when every weight has this one: GUM, first order.

    inside: the shares that are summed, outside: all others; together 1. The weights are uncertain independently.
    """
    whole = sum(inside)
    if whole <= 0.0:
        return 0.0
    # d ln whole = (share / whole - share) d ln weight for those inside, - share d ln weight for those outside.
    return uncertainty * math.hypot(*(share / whole - share for share in inside), *outside)


def count_moments(drinks: DrinksPerGuest, guests: int, uncertainty: float = 0.0) -> tuple[float, float]:
    """Mean and variance of the number of all drinks."""
    above = drinks.mean % 1.0
    match drinks.distribution:
        case "fixed":
            variance = above * (1.0 - above)
        case "poisson":
            variance = drinks.mean
        case "overdispersed":
            variance = (drinks.standard_deviation or 0.0) ** 2
    mean = guests * drinks.mean
    if uncertainty <= 0.0:
        return mean, guests * variance
    if drinks.distribution == "fixed":
        return mean, guests * variance + sum(
            weight * (drinks.mean * count - mean) ** 2 for count, weight in _guests(guests, uncertainty).items()
        )
    return mean, guests * variance + (uncertainty * mean) ** 2


def generating(drinks: DrinksPerGuest, guests: int, uncertainty: float = 0.0) -> Callable[[complex], complex]:
    """The probability generating function of the number of all drinks, for |z| <= 1."""
    if drinks.distribution == "fixed":
        whole, above = math.floor(drinks.mean), drinks.mean % 1.0
        counts = _guests(guests, uncertainty)
        fewest = min(counts)
        weights = [counts.get(count, 0.0) for count in range(max(counts), fewest - 1, -1)]

        def mixed(z: complex) -> complex:
            one = z**whole * (1.0 - above + above * z)  # of a single guest
            if abs(one) ** fewest < _NOTHING:
                return 0.0
            total = 0j
            for weight in weights:  # Horner's rule
                total = total * one + weight
            return total * one**fewest

        return mixed
    logarithm = _log_generating(drinks, guests)
    if uncertainty <= 0.0:
        return lambda z: cmath.exp(logarithm(z))
    # Of a gamma distributed factor of mean 1 and variance v: E[exp(s factor)] = (1 - v s)^(-1/v).
    variance = uncertainty**2
    return lambda z: cmath.exp(-cmath.log(1.0 - variance * logarithm(z)) / variance)


def _log_generating(drinks: DrinksPerGuest, guests: int) -> Callable[[complex], complex]:
    """Its logarithm, of numbers that may be multiplied by any factor."""
    mean = drinks.mean
    if drinks.distribution == "poisson":
        return lambda z: guests * mean * (z - 1.0)
    # Negative binomial by mean m and variance v: p = m / v, r = m^2 / (v - m).
    variance = (drinks.standard_deviation or 0.0) ** 2
    p, r = mean / variance, mean**2 / (variance - mean)
    return lambda z: guests * r * (cmath.log(p) - cmath.log(1.0 - (1.0 - p) * z))


def _guests(guests: int, uncertainty: float) -> dict[int, float]:
    """Number of guests -> its probability, of a fixed number of drinks each: a normal factor in equal parts."""
    if uncertainty <= 0.0:
        return {guests: 1.0}
    normal, weights = NormalDist(1.0, uncertainty), dict[int, float]()
    factors = [max(0.0, normal.inv_cdf((part + 0.5) / _PARTS)) for part in range(_PARTS)]
    middle = fmean(factors)
    for factor in factors:
        exact = guests * factor / middle
        low = math.floor(exact)
        for count, weight in ((low, 1.0 - (exact - low)), (low + 1, exact - low)):
            weights[count] = weights.get(count, 0.0) + weight / _PARTS
    return weights


def _spectrum(doses: Sequence[tuple[float, float]], count: Callable[[complex], complex]) -> list[complex]:
    """Characteristic function of the volume in cells, at the grid's frequencies; doses are in cells here."""
    atoms: dict[int, float] = {0: 1.0 - sum(share for _, share in doses)}
    for cells, share in doses:
        low = math.floor(cells + _ROUNDING)
        up = max(0.0, cells - low)
        atoms[low] = atoms.get(low, 0.0) + share * (1.0 - up)
        atoms[low + 1] = atoms.get(low + 1, 0.0) + share * up
    roots = [cmath.exp(2j * cmath.pi * k / _CELLS) for k in range(_CELLS)]
    half = [count(sum(share * roots[j * at % _CELLS] for at, share in atoms.items())) for j in range(_CELLS // 2 + 1)]
    return half + [one.conjugate() for one in half[-2:0:-1]]


def _round_step(least: float) -> float:
    """The first of 1, 2, 5 times a power of ten from `least` on: most recipes are whole multiples of it."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= least)
