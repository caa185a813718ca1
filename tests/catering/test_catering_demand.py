"""Demand and its quantiles against scipy's distributions, a plain convolution, and simulation."""

import cmath
import random

import numpy as np
import pytest
from scipy import stats

from controller.catering.arrivals import draw_drinks
from controller.catering.demand import count_moments, demand, generating, share_uncertainty
from controller.catering.fourier import transform
from controller.errors import OutOfRange
from controller.model.event import DrinksPerGuest

FIXED = DrinksPerGuest(mean=2.0, distribution="fixed")
HALVES = DrinksPerGuest(mean=2.5, distribution="fixed")
POISSON = DrinksPerGuest(mean=2.2)
WIDE = DrinksPerGuest(mean=2.5, distribution="overdispersed", standard_deviation=2.4)
LEVELS = (0.5, 0.8, 0.9, 0.95, 0.99, 0.999)


def test_the_transform_matches_numpy():
    rng = random.Random(3)
    values = [complex(rng.gauss(0, 1), rng.gauss(0, 1)) for _ in range(256)]
    np.testing.assert_allclose(transform(values), np.fft.fft(values), atol=1e-12)


@pytest.mark.parametrize("n", [0, 3, 12])
def test_the_transform_wants_a_power_of_two(n):
    with pytest.raises(ValueError, match="power of two"):
        transform([1j] * n)


def _newsvendor(distribution, level, dose_ml):
    """The newsvendor's order at this critical fractile, by scipy (integer quantile)."""
    return dose_ml * distribution.ppf(level)


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize("guests", [1, 20, 96])
def test_poisson_demand_for_one_recipe_matches_scipys_quantile(level, guests):
    spread = demand(POISSON, guests, [(100.0, 1.0)])
    assert spread.quantile_ml(level) == pytest.approx(_newsvendor(stats.poisson(2.2 * guests), level, 100.0))


@pytest.mark.parametrize("level", LEVELS)
@pytest.mark.parametrize("share", [0.3, 0.85])
def test_a_share_of_a_fixed_number_matches_scipys_binomial_quantile(level, share):
    spread = demand(FIXED, 30, [(100.0, share)])
    assert spread.quantile_ml(level) == pytest.approx(_newsvendor(stats.binom(60, share), level, 100.0))
    for count in range(61):
        assert spread.probability(100.0 * count) == pytest.approx(stats.binom.cdf(count, 60, share), abs=1e-9)


@pytest.mark.parametrize("level", LEVELS)
def test_overdispersed_demand_matches_scipys_negative_binomial_quantile(level):
    # Mean m and variance v: p = m / v, r = m p / (1 - p); the sum over guests has the same p and r times as many.
    p = 2.5 / 2.4**2
    r = 2.5 * p / (1 - p)
    spread = demand(WIDE, 40, [(100.0, 1.0)])
    assert spread.quantile_ml(level) == pytest.approx(_newsvendor(stats.nbinom(40 * r, p), level, 100.0))


def test_a_mean_of_two_and_a_half_is_guests_who_take_two_or_three():
    spread = demand(HALVES, 11, [(10.0, 1.0)])
    for count in range(34):
        assert spread.probability(10.0 * count) == pytest.approx(stats.binom.cdf(count - 22, 11, 0.5), abs=1e-9)


def test_a_mixed_menu_matches_the_plain_convolution():
    # 6 drinks: 45 mL in half of them, 20 mL in a third, none in the rest.
    one = np.zeros(46)
    one[[45, 20, 0]] = 1 / 2, 1 / 3, 1 / 6
    whole = np.array([1.0])
    for _ in range(6):
        whole = np.convolve(whole, one)
    spread = demand(FIXED, 3, [(45.0, 1 / 2), (20.0, 1 / 3)])
    for volume_ml, cumulative in enumerate(np.cumsum(whole)):
        assert spread.probability(volume_ml) == pytest.approx(cumulative, abs=1e-9)


@pytest.mark.parametrize("drinks", [FIXED, HALVES, POISSON, WIDE])
def test_volumes_off_the_grid_keep_mean_and_spread(drinks):
    doses = [(29.5735, 0.4), (61.803, 0.35)]
    spread = demand(drinks, 50, doses)
    masses = np.diff([0.0, *spread.cumulative])
    volumes = np.arange(len(masses)) * spread.step_ml
    mean_ml = float(masses @ volumes)
    assert mean_ml == pytest.approx(spread.mean_ml, rel=1e-6)
    assert np.sqrt(masses @ (volumes - mean_ml) ** 2) == pytest.approx(spread.deviation_ml, rel=1e-3)
    # The law of total variance, with the moments of the number of drinks by scipy.
    count = {"fixed": 50 * 0.25 * (drinks.mean % 1 > 0), "poisson": 50 * drinks.mean}.get(
        drinks.distribution, 50 * 5.76
    )
    dose = 0.4 * 29.5735 + 0.35 * 61.803
    square = 0.4 * 29.5735**2 + 0.35 * 61.803**2
    assert spread.mean_ml == pytest.approx(50 * drinks.mean * dose)
    assert spread.deviation_ml**2 == pytest.approx(50 * drinks.mean * (square - dose**2) + count * dose**2)


@pytest.mark.parametrize("drinks", [HALVES, POISSON, WIDE])
def test_drawn_guests_follow_the_same_law(drinks):
    rng = random.Random(8)
    drawn = [draw_drinks(drinks, rng) for _ in range(40_000)]
    mean, variance = count_moments(drinks, 1)
    # Four standard errors; that of the variance as for a distribution with a kurtosis of about 9.
    assert np.mean(drawn) == pytest.approx(mean, abs=4 * (variance / 40_000) ** 0.5)
    assert np.var(drawn) == pytest.approx(variance, abs=4 * variance * (8 / 40_000) ** 0.5)
    z = cmath.rect(0.7, 1.0)
    assert abs(np.mean([z**n for n in drawn]) - generating(drinks, 1)(z)) < 4 / 200


def test_guests_with_a_very_wide_spread_can_be_drawn():
    rng = random.Random(1)
    lively = DrinksPerGuest(mean=50.0, distribution="overdispersed", standard_deviation=50.0)
    assert max(draw_drinks(lively, rng) for _ in range(4000)) > 250


def test_quantile_levels_out_of_range_are_refused():
    spread = demand(POISSON, 10, [(100.0, 1.0)])
    for level in (-0.1, 1.0, float("nan")):
        with pytest.raises(OutOfRange):
            spread.quantile_ml(level)


def test_a_menu_without_the_liquid_needs_none_of_it():
    spread = demand(POISSON, 10, [])
    assert spread.quantile_ml(0.95) == 0.0
    assert spread.probability(0.0) == 1.0


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.99])
def test_a_poisson_number_of_uncertain_mean_is_negative_binomial(level):
    # A gamma distributed mean makes a Poisson number negative binomial (any textbook); scipy has its quantiles.
    mean, u = 10 * POISSON.mean, 0.2
    spread = demand(POISSON, 10, [(100.0, 1.0)], uncertainty=u)
    law = stats.nbinom(1 / u**2, 1 / (1 + u**2 * mean))
    assert spread.quantile_ml(level) == pytest.approx(_newsvendor(law, level, 100.0))
    assert spread.deviation_ml == pytest.approx(100.0 * law.std())


@pytest.mark.parametrize("drinks", [FIXED, HALVES, POISSON, WIDE])
def test_an_uncertain_estimate_keeps_the_mean_and_widens_the_spread(drinks):
    doses = [(30.0, 0.4), (60.0, 0.35)]
    sure, unsure = (demand(drinks, 50, doses, uncertainty=u) for u in (0.0, 0.25))
    assert unsure.mean_ml == sure.mean_ml
    for one in (sure, unsure):
        masses = np.diff([0.0, *one.cumulative])
        volumes = np.arange(len(masses)) * one.step_ml
        mean_ml = float(masses @ volumes)
        assert mean_ml == pytest.approx(one.mean_ml, rel=1e-3)
        assert np.sqrt(masses @ (volumes - mean_ml) ** 2) == pytest.approx(one.deviation_ml, rel=5e-3)
    # The law of total variance: a relative 0.25 of the mean on top; the normal factor is cut into equal parts.
    added = np.sqrt(unsure.deviation_ml**2 - sure.deviation_ml**2) / sure.mean_ml
    assert added == pytest.approx(0.25, rel=0.05)
    assert unsure.quantile_ml(0.95) > sure.quantile_ml(0.95)


def test_the_uncertainty_of_a_sum_of_shares_is_what_drawn_menus_have():
    rng = np.random.default_rng(4)
    shares, u = np.array([0.4, 0.1, 0.3, 0.2]), 0.1
    weights = shares * rng.gamma(u**-2, u**2, size=(200_000, 4))
    drawn = weights[:, :2].sum(axis=1) / weights.sum(axis=1)
    assert share_uncertainty([0.4, 0.1], [0.3, 0.2], u) == pytest.approx(drawn.std() / drawn.mean(), rel=0.03)
    assert share_uncertainty([0.5, 0.5], [], 0.3) == 0.0
    assert share_uncertainty([], [1.0], 0.3) == 0.0
