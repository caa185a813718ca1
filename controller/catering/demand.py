"""How much of a liquid an event takes: the exact distribution of a compound sum, and its quantiles.

Every guest takes a random number of drinks, every drink is a random one of the menu. The number of all drinks has a
generating function in closed form; put over the characteristic function of one drink it gives that of the volume, and
one Fourier transform turns that into probabilities on a grid of volumes (Klugman, Panjer, Willmot: Loss Models, the
chapter on aggregate losses, inversion by the fast Fourier transform; from memory).
"""

import cmath
import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from itertools import accumulate

from controller.catering.fourier import transform
from controller.errors import require_in_range
from controller.model.event import DrinksPerGuest
from controller.model.fields import Value

_CELLS = 1 << 13
# The grid ends this many standard deviations above the mean. What lies beyond comes back at its lower end: even with
# the exponential tail of a few, very different guests that is less than exp(-16), 1e-7.
_DEVIATIONS = 16.0
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


def demand(drinks: DrinksPerGuest, guests: int, doses: Sequence[tuple[float, float]]) -> Demand:
    """The volume that `guests` take of one liquid.

    doses: for each recipe with this liquid its volume (mL, > 0) and its share of all drinks; shares sum to 1 at most.
    A volume that falls between two cells of the grid is shared out to both, so that its mean stays.
    """
    count_mean, count_variance = count_moments(drinks, guests)
    dose_mean = sum(share * volume_ml for volume_ml, share in doses)
    dose_variance = sum(share * volume_ml**2 for volume_ml, share in doses) - dose_mean**2
    mean_ml = count_mean * dose_mean
    deviation_ml = math.sqrt(max(0.0, count_mean * dose_variance + count_variance * dose_mean**2))
    longest_ml = mean_ml + _DEVIATIONS * deviation_ml + 2 * max((volume_ml for volume_ml, _ in doses), default=1.0)
    step_ml = _round_step(longest_ml / _CELLS)
    spectrum = _spectrum([(volume_ml / step_ml, share) for volume_ml, share in doses], generating(drinks, guests))
    masses = [max(0.0, one.real / _CELLS) for one in transform(spectrum)]
    total = sum(masses)
    return Demand(
        mean_ml=mean_ml,
        deviation_ml=deviation_ml,
        step_ml=step_ml,
        cumulative=tuple(one / total for one in accumulate(masses)),
    )


def count_moments(drinks: DrinksPerGuest, guests: int) -> tuple[float, float]:
    """Mean and variance of the number of all drinks."""
    above = drinks.mean % 1.0
    match drinks.distribution:
        case "fixed":
            variance = above * (1.0 - above)
        case "poisson":
            variance = drinks.mean
        case "overdispersed":
            variance = (drinks.standard_deviation or 0.0) ** 2
    return guests * drinks.mean, guests * variance


def generating(drinks: DrinksPerGuest, guests: int) -> Callable[[complex], complex]:
    """The probability generating function of the number of all drinks, for |z| <= 1."""
    mean, above = drinks.mean, drinks.mean % 1.0
    match drinks.distribution:
        case "fixed":
            whole = guests * math.floor(mean)
            return lambda z: z**whole * (1.0 - above + above * z) ** guests
        case "poisson":
            return lambda z: cmath.exp(guests * mean * (z - 1.0))
        case "overdispersed":
            # Negative binomial by mean m and variance v: p = m / v, r = m^2 / (v - m).
            variance = (drinks.standard_deviation or 0.0) ** 2
            p, r = mean / variance, mean**2 / (variance - mean)
            return lambda z: cmath.exp(guests * r * (cmath.log(p) - cmath.log(1.0 - (1.0 - p) * z)))


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
