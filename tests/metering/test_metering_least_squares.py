"""Least squares against the GUM and certified values; the distributions against scipy and the GUM's table."""

import math

import pytest
from scipy import optimize, stats

from controller.errors import OutOfRange, Refused
from controller.metering.distributions import chi_squared_tail, t_quantile, t_two_sided
from controller.metering.least_squares import quadratic_form, solve
from tests.metering.published import rows

H3 = rows("gum_h3.csv")
T_ABOVE_20_C = [float(row["t_k_C"]) - 20.0 for row in H3]
B_C = [float(row["b_k_C"]) for row in H3]

# NIST Statistical Reference Datasets, Norris (calibration of ozone monitors); data and certified values from memory.
NORRIS = [
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5), (668.5, 666.3),
    (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4), (0.1, 0.6), (778.1, 775.5),
    (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6), (557.7, 556.0), (228.3, 228.1), (998.0, 995.8),
    (888.8, 887.6), (119.6, 120.2), (0.3, 0.3), (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2),
    (998.5, 999.0), (778.9, 779.0), (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9),
    (0.2, 0.5),
]  # fmt: skip


def straight(x, y, u=None):
    """Intercept and slope of the line through points, and their covariance: from u, else from the residuals."""
    found = solve([(1.0, one) for one in x], y, [1.0] * len(x) if u is None else [1.0 / one**2 for one in u])
    variance = found.chi_squared / (len(x) - 2) if u is None else 1.0
    return found.parameters, [[variance * one for one in row] for row in found.covariance], math.sqrt(variance)


def test_gum_h3_values_and_uncertainties():
    # GUM (JCGM 100:2008) H.3.4.
    (intercept, slope), covariance, deviation = straight(T_ABOVE_20_C, B_C)
    u_intercept, u_slope = math.sqrt(covariance[0][0]), math.sqrt(covariance[1][1])
    assert (intercept, u_intercept) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (slope, u_slope) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert covariance[0][1] / (u_intercept * u_slope) == pytest.approx(-0.930, abs=5e-4)
    assert deviation == pytest.approx(0.0035, abs=5e-5)


def test_gum_h3_residuals():
    (intercept, slope), _, _ = straight(T_ABOVE_20_C, B_C)
    for row, t in zip(H3, T_ABOVE_20_C, strict=True):
        assert intercept + slope * t == pytest.approx(float(row["predicted_b_C"]), abs=6e-5)


def test_gum_h3_correction_at_30_c_needs_the_correlation():
    # H.3.5: b(30 C) = -0.1494 C, u = 0.0041 C; ignoring r would give 0.0073 C.
    (intercept, slope), covariance, _ = straight(T_ABOVE_20_C, B_C)
    assert intercept + 10.0 * slope == pytest.approx(-0.1494, abs=5e-5)
    assert math.sqrt(quadratic_form(covariance, (1.0, 10.0))) == pytest.approx(0.0041, abs=5e-5)
    assert math.sqrt(covariance[0][0] + 100.0 * covariance[1][1]) == pytest.approx(0.0073, abs=5e-5)


def test_norris_certified_values():
    (intercept, slope), covariance, deviation = straight([x for _, x in NORRIS], [y for y, _ in NORRIS])
    assert intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert math.sqrt(covariance[0][0]) == pytest.approx(0.232818234301152, rel=1e-12)
    assert math.sqrt(covariance[1][1]) == pytest.approx(0.429796848199937e-3, rel=1e-12)
    assert deviation == pytest.approx(0.884796396144373, rel=1e-13)


def test_weighted_line_agrees_with_scipy():
    x = [1.0, 2.0, 5.0, 9.0, 20.0]
    y = [1.1, 2.3, 5.2, 8.7, 21.0]
    u = [0.1, 0.2, 0.1, 0.4, 0.8]
    found, covariance, _ = straight(x, y, u)
    outside, outside_covariance = optimize.curve_fit(lambda t, a, b: a + b * t, x, y, sigma=u, absolute_sigma=True)
    assert found == pytest.approx(tuple(outside), rel=1e-7)
    assert covariance[0] == pytest.approx(list(outside_covariance[0]), rel=1e-6)
    assert covariance[1][1] == pytest.approx(outside_covariance[1][1], rel=1e-6)


def test_dependent_regressors_are_refused():
    with pytest.raises(Refused, match="do not separate"):
        solve([(1.0, 2.0), (2.0, 4.0), (3.0, 6.0)], [1.0, 2.0, 3.0], [1.0, 1.0, 1.0])


@pytest.mark.parametrize(
    ("degrees_of_freedom", "k"), [(1, 12.71), (2, 4.30), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01), (100, 1.984)]
)
def test_coverage_factors_of_the_gum(degrees_of_freedom, k):
    # GUM (JCGM 100:2008), table G.2, column 95 %; from memory.
    assert t_quantile(0.95, degrees_of_freedom) == pytest.approx(k, abs=0.0051)


@pytest.mark.parametrize("degrees_of_freedom", [0.8, 1.0, 1.5, 3.0, 7.4, 30.0, 500.0, 1e6])
@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.99, 0.9999])
def test_t_quantiles_agree_with_scipy(degrees_of_freedom, confidence):
    outside = stats.t.ppf(0.5 + confidence / 2.0, degrees_of_freedom)
    assert t_quantile(confidence, degrees_of_freedom) == pytest.approx(outside, rel=1e-8)


@pytest.mark.parametrize("degrees_of_freedom", [1.0, 4.5, 25.0])
@pytest.mark.parametrize("t", [-8.0, -0.3, 0.0, 1.0, 2.5, 40.0])
def test_t_tails_agree_with_scipy(degrees_of_freedom, t):
    assert t_two_sided(t, degrees_of_freedom) == pytest.approx(2.0 * stats.t.sf(abs(t), degrees_of_freedom), rel=1e-9)


@pytest.mark.parametrize("degrees_of_freedom", [1.0, 2.5, 8.0, 60.0, 400.0])
@pytest.mark.parametrize("ratio", [0.0, 0.2, 0.9, 1.3, 2.0, 4.0])
def test_chi_squared_tails_agree_with_scipy(degrees_of_freedom, ratio):
    outside = stats.chi2.sf(ratio * degrees_of_freedom, degrees_of_freedom)
    assert chi_squared_tail(ratio * degrees_of_freedom, degrees_of_freedom) == pytest.approx(
        outside, rel=1e-8, abs=1e-14
    )


@pytest.mark.parametrize(
    "call", [lambda: t_quantile(1.0, 5), lambda: t_quantile(0.95, 0.0), lambda: chi_squared_tail(-1.0, 3)]
)
def test_arguments_out_of_range(call):
    with pytest.raises(OutOfRange):
        call()
