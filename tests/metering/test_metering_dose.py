"""Prediction of a dose, tolerances, smallest dose."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from controller.errors import OutOfRange
from controller.metering.dose import mi008_ml, predict, smallest_dose_ml
from controller.metering.flow_law import FlowLaw, Scatter


def relative_ml(fraction):
    """A tolerance that is the same fraction of every dose."""
    return lambda dose_ml: fraction * dose_ml


NOTHING = ((0.0, 0.0, 0.0),) * 3


def law(scatter_ml=0.1, fraction=0.005, dof=8.0, lag_s=0.1, covariance=NOTHING) -> FlowLaw:
    return FlowLaw(
        flow_ml_s=2.0,
        lag_s=lag_s,
        sag_per_a=0.02,
        covariance=covariance,
        scatter=Scatter(fixed_ml=scatter_ml, fraction=fraction, degrees_of_freedom=dof),
    )


@pytest.mark.parametrize(("dose_ml", "tolerance_ml"), [(5, 2.0), (99.9, 2.0), (100, 3.0), (150, 4.5), (250, 7.5)])
def test_tolerance_of_serving_measures(dose_ml, tolerance_ml):
    # OIML R 138:2007, 5.1.1, transfer measures with a line: under 100 mL +-2 mL, from 100 mL +-3 %.
    assert mi008_ml(dose_ml) == pytest.approx(tolerance_ml)


def test_interval_of_pure_scatter_is_student_s():
    expected = predict(law(), 40.0)
    assert expected.run_time_s == pytest.approx(40.0 / 2.0 + 0.1)
    assert expected.u_ml == pytest.approx(math.hypot(0.1, 0.2))
    assert expected.u95_ml == pytest.approx(stats.t.ppf(0.975, 8.0) * math.hypot(0.1, 0.2))
    assert (expected.low_ml, expected.high_ml) == pytest.approx((40.0 - expected.u95_ml, 40.0 + expected.u95_ml))


def test_uncertainty_of_the_mean_needs_the_covariance():
    # GUM 5.2.2 with numbers as in H.3: flow 2.0(1) mL/s, lag 0.10(5) s, correlation 0.8; V = 2 (t - 0.1) at t = 5.1 s.
    covariance = ((0.01, 0.004, 0.0), (0.004, 0.0025, 0.0), (0.0, 0.0, 0.0))
    with_it = predict(law(0.0, 0.0, covariance=covariance), 10.0).u_ml
    # dV/dflow = 5 s, dV/dlag = -2 mL/s.
    assert with_it == pytest.approx(math.sqrt(25 * 0.01 + 4 * 0.0025 - 2 * 5 * 2 * 0.004))
    assert with_it < math.hypot(5 * 0.1, 2 * 0.05)


def test_pumps_that_run_beside_cost_time_and_certainty():
    covariance = ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 1e-4))
    alone, beside = (predict(law(0.0, 0.0, covariance=covariance), 50.0, others_a=a) for a in (0.0, 2.0))
    assert beside.run_time_s == pytest.approx(0.1 + (alone.run_time_s - 0.1) / (1.0 - 0.04))
    assert alone.u_ml == 0.0
    assert beside.u_ml == pytest.approx(2.0 * 2.0 * 0.01 * (beside.run_time_s - 0.1))


def test_smallest_dose_of_a_relative_tolerance_is_where_error_meets_it():
    # 5 % of V = t hypot(0.1, 0.005 V): V = t 0.1 / sqrt(0.05^2 - (0.005 t)^2).
    t = stats.t.ppf(0.975, 8.0)
    meets_ml = t * 0.1 / math.sqrt(0.05**2 - (0.005 * t) ** 2)
    found = smallest_dose_ml(law(), relative_ml(0.05))
    assert found is not None
    assert meets_ml <= found <= 1.021 * meets_ml


def test_smallest_dose_holds_for_every_larger_one():
    wide = law(scatter_ml=0.3, fraction=0.007)
    found = smallest_dose_ml(wide)
    assert found is not None
    for dose_ml in (found, 20.0, 60.0, 99.0, 100.0, 250.0):
        assert predict(wide, dose_ml).is_inside
    # At 99.9 mL a scatter of 1 % is outside +-2 mL: doses above the gap are all that is left.
    assert smallest_dose_ml(law(fraction=0.01)) == pytest.approx(100.0)
    assert smallest_dose_ml(law(fraction=0.02)) is None


def test_the_smallest_dose_keeps_its_interval_above_zero():
    found = smallest_dose_ml(law(scatter_ml=0.4, fraction=0.0))
    assert found is not None
    assert found > stats.t.ppf(0.975, 8.0) * 0.4


def test_a_coasting_line_cannot_go_below_what_it_coasts():
    found = smallest_dose_ml(law(0.01, 0.001, lag_s=-1.0))
    assert found is not None
    assert found >= 2.0
    with pytest.raises(OutOfRange, match="volume_ml"):
        predict(law(lag_s=-1.0), 1.0)


@settings(deadline=None)
@given(st.floats(1.0, 249.0))
def test_error_grows_with_the_dose_and_fewer_degrees_of_freedom(dose_ml):
    assert predict(law(), dose_ml).u95_ml < predict(law(), dose_ml * 1.004).u95_ml
    assert predict(law(dof=30.0), dose_ml).u95_ml < predict(law(dof=4.0), dose_ml).u95_ml


@pytest.mark.parametrize("dose_ml", [0.0, -1.0, math.nan, math.inf])
def test_impossible_doses_are_refused(dose_ml):
    with pytest.raises(OutOfRange):
        predict(law(), dose_ml)
    with pytest.raises(OutOfRange):
        mi008_ml(dose_ml)
