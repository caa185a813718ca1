"""Student's t and chi-squared, as far as a calibration needs them, in plain Python."""

import math
from functools import lru_cache
from statistics import NormalDist

from controller.errors import require_in_range, require_positive

_TINY = 1e-300
_STEPS = 500
_NORMAL_95 = NormalDist().inv_cdf(0.975)


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Continued fraction of the incomplete beta function (DLMF 8.17.22), by the modified Lentz method."""
    c, d = 1.0, 1.0 / _away_from_zero(1.0 - (a + b) * x / (a + 1.0))
    value = d
    for m in range(1, _STEPS):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / _away_from_zero(1.0 + numerator * d)
            c = _away_from_zero(1.0 + numerator / c)
            value *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return value


def _away_from_zero(value: float) -> float:
    return value if abs(value) > _TINY else _TINY


def _beta_regularised(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b), 0 <= x <= 1."""
    if x <= 0.0 or x >= 1.0:
        return min(max(x, 0.0), 1.0)
    log_front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    if x < (a + 1.0) / (a + b + 2.0):
        return math.exp(log_front) * _beta_fraction(a, b, x) / a
    return 1.0 - math.exp(log_front) * _beta_fraction(b, a, 1.0 - x) / b


def t_two_sided(t: float, degrees_of_freedom: float) -> float:
    """Probability that Student's t lies further from zero than |t|; degrees of freedom > 0, not only whole ones."""
    require_positive("degrees of freedom", degrees_of_freedom, "")
    return _beta_regularised(degrees_of_freedom / 2.0, 0.5, degrees_of_freedom / (degrees_of_freedom + t * t))


@lru_cache(maxsize=1024)  # asked for once per dose, of the same few degrees of freedom
def t_quantile(confidence: float, degrees_of_freedom: float) -> float:
    """Coverage factor k with P(|t| <= k) = confidence (0 < confidence < 1), as in GUM (JCGM 100:2008) table G.2."""
    require_in_range("confidence", confidence, 1e-9, 1.0 - 1e-9, "")
    require_positive("degrees of freedom", degrees_of_freedom, "")
    tail = 1.0 - confidence
    # The tail falls and is convex, and the normal quantile lies below: Newton's steps stay below and close in.
    k = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    for _ in range(_STEPS):
        step = (t_two_sided(k, degrees_of_freedom) - tail) / (2.0 * _t_density(k, degrees_of_freedom))
        k += step
        if abs(step) <= 1e-13 * k:
            break
    return k


def coverage_factor(degrees_of_freedom: float) -> float:
    """Student's factor for 95 %, of degrees of freedom rounded down to two figures, so that few are worked out."""
    if degrees_of_freedom >= 1000.0:
        return _NORMAL_95
    step = 10.0 ** (math.floor(math.log10(degrees_of_freedom)) - 1)
    return t_quantile(0.95, max(step, math.floor(degrees_of_freedom / step) * step))


def _t_density(t: float, degrees_of_freedom: float) -> float:
    log_front = math.lgamma((degrees_of_freedom + 1.0) / 2.0) - math.lgamma(degrees_of_freedom / 2.0)
    return math.exp(log_front - (degrees_of_freedom + 1.0) / 2.0 * math.log1p(t * t / degrees_of_freedom)) / math.sqrt(
        degrees_of_freedom * math.pi
    )


def chi_squared_tail(chi_squared: float, degrees_of_freedom: float) -> float:
    """Probability of a chi-squared as large as this or larger; chi_squared >= 0, degrees of freedom > 0."""
    require_in_range("chi-squared", chi_squared, 0.0, math.inf, "")
    require_positive("degrees of freedom", degrees_of_freedom, "")
    a, x = degrees_of_freedom / 2.0, chi_squared / 2.0
    if x == 0.0:
        return 1.0
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    return 1.0 - front * _gamma_series(a, x) if x < a + 1.0 else front * _gamma_fraction(a, x)


def _gamma_series(a: float, x: float) -> float:
    """Lower incomplete gamma function by its series (DLMF 8.11.4), without the factor x^a e^-x / Gamma(a)."""
    term = total = 1.0 / a
    for k in range(1, 10 * _STEPS):
        term *= x / (a + k)
        total += term
        if term < total * 1e-16:
            break
    return total


def _gamma_fraction(a: float, x: float) -> float:
    """Upper incomplete gamma function by its continued fraction (DLMF 8.9.2), without the same factor."""
    b = x + 1.0 - a
    c, d = 1.0 / _TINY, 1.0 / _away_from_zero(b)
    value = d
    for k in range(1, 10 * _STEPS):
        numerator = -k * (k - a)
        b += 2.0
        d = 1.0 / _away_from_zero(numerator * d + b)
        c = _away_from_zero(b + numerator / c)
        value *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return value
