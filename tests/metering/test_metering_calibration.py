"""The fit: flow, lag and sag with covariance, what it says of few trials, and run times from it."""

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from controller.errors import OutOfRange, Refused
from controller.metering.calibration import (
    DEFAULT_PRIOR,
    Prior,
    Trial,
    delivered_ml,
    fit,
    law_of,
    run_time_s,
    to_calibration,
)
from controller.metering.dose import predict
from controller.metering.scatter import assume_each
from controller.model.calibration import Calibration
from tests.metering.pumps import TruePump, exact_trials

TIMES_S = (3.0, 3.0, 3.0, 12.0, 60.0, 60.0, 60.0)


def test_exact_trials_give_their_flow_and_lag():
    found = fit(exact_trials(1.7, 0.12, (2.0, 5.0, 20.0, 60.0)))
    assert (found.flow_ml_s, found.lag_s) == pytest.approx((1.7, 0.12), rel=1e-9)
    assert found.chi_squared == pytest.approx(0.0, abs=1e-12)
    assert found.residuals_ml == pytest.approx((0.0,) * 4, abs=1e-9)
    assert found.outliers == ()
    assert found.exchanged is None


def test_values_and_covariance_under_one_scatter_are_those_of_scipy():
    rng = random.Random(4)
    trials = [
        Trial(on_s, 1.7 * (on_s - 0.1) + rng.gauss(0.0, u), u)
        for on_s, u in ((2, 0.1), (4, 0.1), (8, 0.2), (15, 0.2), (30, 0.3), (60, 0.3))
    ]
    for one in assume_each(trials, DEFAULT_PRIOR, full_prior=False)[::7]:
        values, covariance = optimize.curve_fit(
            lambda t, flow, lag: flow * (t - lag),
            [trial.on_s for trial in trials],
            [trial.volume_ml for trial in trials],
            p0=(1.0, 0.0),
            sigma=[math.hypot(trial.u_volume_ml, one.fixed_ml, one.fraction * trial.volume_ml) for trial in trials],
            absolute_sigma=True,
        )
        assert one.parameters[:2] == pytest.approx(tuple(values), rel=1e-6)
        assert np.array(one.covariance)[:2, :2] == pytest.approx(covariance, rel=0.02)


def test_a_trial_left_out_is_predicted_as_a_fit_without_it_predicts_it():
    """The deleted residuals of one fit against fits of the other trials, by scipy."""
    trials = TruePump().trials(random.Random(6), TIMES_S)
    one = assume_each(trials, DEFAULT_PRIOR, full_prior=False)[13]
    for index, trial in enumerate(trials):
        others = [other for k, other in enumerate(trials) if k != index]
        u = [math.hypot(t.u_volume_ml, one.fixed_ml, one.fraction * t.volume_ml) for t in others]
        x = np.column_stack([[t.on_s for t in others], np.ones(len(others))]) / np.array(u)[:, None]
        y = np.array([t.volume_ml for t in others]) / u
        slope, offset = np.linalg.lstsq(x, y, rcond=None)[0]
        variance = trial.u_volume_ml**2 + one.fixed_ml**2 + (one.fraction * trial.volume_ml) ** 2
        at = np.array([trial.on_s, 1.0])
        gap_ml, u_ml = one.left_out[index]
        assert gap_ml == pytest.approx(trial.volume_ml - slope * trial.on_s - offset, rel=1e-6)
        assert u_ml == pytest.approx(math.sqrt(variance + at @ np.linalg.inv(x.T @ x) @ at), rel=1e-6)


def test_equal_trials_that_scatter_more_than_the_weighing_follow_the_gum_line():
    """GUM H.3: with equal trials and no trusted weighing the residuals give the uncertainty, s^2 (X'X)^-1."""
    rng = random.Random(1)
    trials = [Trial(on_s, 1.7 * (on_s - 0.1) + rng.gauss(0.0, 0.3), 0.01) for on_s in np.linspace(18.0, 22.0, 12)]
    found = fit(trials)
    x = np.column_stack([[one.on_s for one in trials], np.ones(len(trials))])
    y = np.array([one.volume_ml for one in trials])
    (slope, offset), rest = np.linalg.lstsq(x, y, rcond=None)[:2]
    u_slope = math.sqrt(rest[0] / (len(trials) - 2) * np.linalg.inv(x.T @ x)[0][0])
    # All volumes lie within 20 %, so the scatter's shape hardly weighs them apart.
    assert found.flow_ml_s == pytest.approx(slope, abs=0.2 * u_slope)
    assert found.u_flow_ml_s == pytest.approx(u_slope, rel=0.1)  # what is believed of such pumps counts as one residual
    assert found.lag_s == pytest.approx(-offset / slope, abs=0.3)


def test_sag_comes_out_of_mixed_trials_as_scipy_has_it():
    pump = TruePump(sag_per_a=0.03, scatter_ml=0.0, scatter_fraction=0.0, u_weighing_ml=0.1)
    times = (3, 10, 30, 60, 10, 30, 60, 30)
    currents = (0.0, 0.0, 0.0, 0.0, 1.2, 1.2, 0.8, 2.0)
    trials = pump.trials(random.Random(2), times, currents)
    found = fit(trials)
    for one in assume_each(trials, DEFAULT_PRIOR, full_prior=False)[::11]:
        values, covariance = optimize.curve_fit(
            lambda x, flow, lag, sag: flow * (1.0 - sag * x[1]) * (x[0] - lag),
            np.array([times, currents], dtype=float),
            [trial.volume_ml for trial in trials],
            p0=(1.5, 0.0, 0.01),
            sigma=[math.hypot(trial.u_volume_ml, one.fixed_ml, one.fraction * trial.volume_ml) for trial in trials],
            absolute_sigma=True,
        )
        assert one.parameters == pytest.approx(tuple(values), rel=1e-3)
        assert np.array(one.covariance) == pytest.approx(covariance, rel=0.02, abs=1e-9)
    assert found.sag_is_known
    assert found.sag_per_a == pytest.approx(0.03, abs=3.0 * found.u_sag_per_a)


def test_one_trial_is_a_calibration_that_knows_what_it_does_not_know():
    found = fit([Trial(20.0, 33.0, 0.05)])
    assert found.flow_ml_s == pytest.approx(33.0 / (20.0 - DEFAULT_PRIOR.lag_s))
    assert (found.lag_s, found.u_lag_s) == pytest.approx((DEFAULT_PRIOR.lag_s, DEFAULT_PRIOR.u_lag_s))
    assert not found.lag_is_known
    assert found.agreement is None
    assert any("cannot separate lag and flow" in one.text for one in found.warnings)
    assert any("scatter from run to run is in part assumed" in one.text for one in found.warnings)
    # Near the trial's own volume lag does not matter; far from it, its spread does.
    assert predict(found, 33.0).u_ml < 0.5
    assert predict(found, 5.0).u_ml > 0.8 * DEFAULT_PRIOR.u_lag_s * found.flow_ml_s


def test_equal_run_times_cannot_tell_the_lag_however_many():
    rng = random.Random(3)
    found = fit(TruePump().trials(rng, (20.0,) * 6))
    assert not found.lag_is_known
    assert found.u_lag_s == pytest.approx(DEFAULT_PRIOR.u_lag_s, rel=1e-6)


def test_trials_beside_one_current_cannot_tell_the_sag():
    found = fit(TruePump(sag_per_a=0.02).trials(random.Random(3), (3.0, 30.0, 60.0), (1.0, 1.0, 1.0)))
    assert not found.sag_is_known
    assert found.u_sag_per_a == pytest.approx(DEFAULT_PRIOR.u_sag_per_a, rel=1e-6)
    assert any("cannot separate sag from flow" in one.text for one in found.warnings)


def test_one_run_alone_and_one_beside_others_lean_on_the_lag_assumed():
    pump = TruePump(sag_per_a=0.03, scatter_ml=0.0, scatter_fraction=0.0)
    found = fit(pump.trials(random.Random(3), (30.0, 50.0), (0.0, 1.5)))
    assert not found.lag_is_known
    assert found.u_lag_s == pytest.approx(DEFAULT_PRIOR.u_lag_s, rel=1e-3)
    assert found.sag_per_a == pytest.approx(0.03, abs=2.0 * found.u_sag_per_a)
    assert any("too few: they cannot separate lag" in one.text for one in found.warnings)


def test_a_sag_unlike_any_machine_is_pointed_out():
    pump = TruePump(sag_per_a=0.4)
    found = fit(pump.trials(random.Random(3), (3.0, 30.0, 60.0, 60.0, 60.0), (0.0, 0.0, 0.0, 1.0, 1.0)))
    assert any("sag of 4" in one.text or "sag of 3" in one.text for one in found.warnings)


def test_two_trials_do_not_pretend_to_know_the_scatter():
    found = fit(exact_trials(1.7, 0.1, (3.0, 60.0), u_volume_ml=0.01))
    # Two points always lie on a line; the pump's scatter counts all the same.
    assert found.u_flow_ml_s * 60.0 > 0.3
    assert predict(found, 50.0).u_ml > 0.2


def test_a_pooled_prior_helps_few_trials_and_fades():
    pump = TruePump(lag_s=0.3)
    prior = Prior(lag_s=0.3, u_lag_s=0.02, flow_ml_s=1.67, u_flow_ml_s=0.25)
    alone = fit(pump.trials(random.Random(5), (20.0,)), prior)
    assert alone.lag_s == pytest.approx(0.3, abs=0.02)
    assert alone.u_lag_s <= 0.02
    wrong = Prior(lag_s=-0.5, u_lag_s=0.2)
    few, many = (pump.trials(random.Random(5), times) for times in ((3.0, 60.0), TIMES_S * 4))
    moved_few, moved_many = (fit(trials).lag_s - fit(trials, wrong).lag_s for trials in (few, many))
    assert moved_few > 2.0 * moved_many > 0.0
    assert fit(many, wrong).lag_s == pytest.approx(0.3, abs=0.08)


def test_too_generous_weighing_uncertainties_are_pointed_out():
    found = fit(exact_trials(1.7, 0.1, (3.0, 10.0, 20.0, 30.0, 60.0), u_volume_ml=1.0))
    assert any("better than their stated uncertainties" in one.text for one in found.warnings)
    assert found.u_flow_ml_s > 0.01  # not scaled down


def test_a_lag_unlike_any_pump_is_pointed_out():
    found = fit(exact_trials(1.7, 2.0, (5.0, 20.0, 60.0)))
    assert any("unlike such pumps" in one.text for one in found.warnings)


def test_a_dry_run_is_pointed_out():
    found = fit([Trial(2.0, 0.0, 0.05), Trial(20.0, 33.0, 0.05), Trial(60.0, 100.0, 0.05)])
    assert any("delivered nothing" in one.text for one in found.warnings)


def test_no_trials_and_a_falling_line_are_refused():
    with pytest.raises(Refused, match="no trial"):
        fit([])
    with pytest.raises(Refused, match="nothing was delivered"):
        fit([Trial(5.0, 0.0, 0.05), Trial(20.0, 0.0, 0.05)])
    with pytest.raises(Refused, match="longer runs did not deliver more"):
        fit([Trial(5.0, 30.0, 0.05), Trial(20.0, 30.0, 0.05), Trial(60.0, 10.0, 0.05), Trial(60.0, 11.0, 0.05)])


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"on_s": 0.0}, "on_s"),
        ({"on_s": math.nan}, "on_s"),
        ({"volume_ml": -0.1}, "volume_ml"),
        ({"volume_ml": math.inf}, "volume_ml"),
        ({"u_volume_ml": 0.0}, "u_volume_ml"),
        ({"others_a": -1.0}, "others_a"),
    ],
)
def test_impossible_trials_are_refused_by_name(change, name):
    with pytest.raises(OutOfRange, match=name):
        Trial(**{"on_s": 10.0, "volume_ml": 17.0, "u_volume_ml": 0.05, **change})


def test_a_fit_becomes_the_calibration_that_the_machine_keeps():
    found = fit(TruePump().trials(random.Random(8), TIMES_S))
    kept = to_calibration(found, 3, "apple juice", taken_by="Ada", note="7 trials, kitchen scale")
    assert (kept.line, kept.liquid, kept.taken_by) == (3, "apple juice", "Ada")
    law = law_of(kept)
    for dose_ml in (5.0, 40.0, 200.0):
        assert run_time_s(kept, dose_ml) == found.run_time_s(dose_ml)
        on_s = found.run_time_s(dose_ml)
        assert law.u_mean_ml(on_s) == pytest.approx(found.u_mean_ml(on_s))
        assert law.scatter == found.scatter


def test_a_kept_calibration_without_scatter_counts_the_usual_one():
    law = law_of(
        Calibration(line=1, liquid="soda", flow_ml_s=1.7, lag_s=0.1, u_flow_ml_s=0.01, u_lag_s=0.05, cov_flow_lag=0.0)
    )
    assert law.scatter.at_ml(50.0) == pytest.approx(
        math.hypot(DEFAULT_PRIOR.scatter_ml, DEFAULT_PRIOR.scatter_fraction * 50.0)
    )


@settings(deadline=None)
@given(st.floats(0.1, 20.0), st.floats(-0.3, 0.6), st.floats(0.0, 0.08), st.floats(10.0, 500.0), st.floats(0.0, 6.0))
def test_run_time_and_volume_turn_into_each_other(flow_ml_s, lag_s, sag_per_a, dose_ml, others_a):
    kept = Calibration(
        line=1, liquid="soda", flow_ml_s=flow_ml_s, lag_s=lag_s, u_flow_ml_s=0.0, u_lag_s=0.0, cov_flow_lag=0.0,
        sag_per_a=sag_per_a,
    )  # fmt: skip
    on_s = run_time_s(kept, dose_ml, others_a)
    assert delivered_ml(kept, on_s, others_a) == pytest.approx(dose_ml, rel=1e-9)
    assert run_time_s(kept, dose_ml, others_a) >= run_time_s(kept, dose_ml)


def test_nothing_comes_within_the_lag_and_a_coasting_line_cannot_meter_less_than_it_coasts():
    slow = Calibration(line=1, liquid="soda", flow_ml_s=2.0, lag_s=0.4, u_flow_ml_s=0.0, u_lag_s=0.0, cov_flow_lag=0.0)
    assert delivered_ml(slow, 0.0) == delivered_ml(slow, 0.4) == 0.0
    coasting = Calibration(
        line=1, liquid="soda", flow_ml_s=2.0, lag_s=-0.4, u_flow_ml_s=0.0, u_lag_s=0.0, cov_flow_lag=0.0
    )
    assert delivered_ml(coasting, 0.0) == 0.0
    with pytest.raises(OutOfRange, match=r"volume_ml is 0\.5 mL; it must lie between 0\.8"):
        run_time_s(coasting, 0.5)
    with pytest.raises(OutOfRange, match="volume_ml"):
        run_time_s(slow, math.nan)


def test_sag_that_would_stop_the_pump_is_refused():
    kept = Calibration(
        line=1, liquid="soda", flow_ml_s=2.0, lag_s=0.1, u_flow_ml_s=0.0, u_lag_s=0.0, cov_flow_lag=0.0, sag_per_a=0.2
    )
    with pytest.raises(OutOfRange, match="flow beside the others"):
        run_time_s(kept, 20.0, 5.0)
    assert delivered_ml(kept, 20.0, 5.0) == 0.0
