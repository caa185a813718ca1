"""Which trials to run, held against simulated calibrations."""

import random

import pytest

from controller.errors import Refused
from controller.metering.calibration import Prior, Trial, fit, fit_law
from controller.metering.design import DoseRange, design_trials, next_run_time_s
from controller.metering.dose import mi008_ml, predict, smallest_dose_ml
from tests.metering.pumps import TruePump


def relative_ml(fraction):
    """A tolerance that is the same fraction of every dose."""
    return lambda dose_ml: fraction * dose_ml


def times_of(design) -> list[float]:
    return [on_s for on_s, repeats in design.runs for _ in range(repeats)]


@pytest.mark.parametrize("tolerance", [mi008_ml, relative_ml(0.05)], ids=["serving measures", "5 %"])
def test_the_designed_trials_reach_the_wanted_error(tolerance):
    pump = TruePump(scatter_ml=0.08, scatter_fraction=0.004)
    doses = DoseRange(low_ml=10.0, high_ml=200.0)
    prior = Prior(scatter_ml=0.08, scatter_fraction=0.004)
    design = design_trials(pump.flow_ml_s, doses, tolerance, prior=prior, u_volume_ml=0.03)
    assert design.u95_ml <= design.tolerance_ml
    inside = count = 0
    for seed in range(100):
        rng = random.Random(seed)
        law = fit_law(pump.trials(rng, times_of(design)))
        for dose_ml in (10.0, 30.0, 99.0, 200.0):
            inside += abs(pump.run_ml(rng, law.run_time_s(dose_ml)) - dose_ml) <= tolerance(dose_ml)
            count += 1
    assert inside / count >= 0.95


def test_the_predicted_error_is_the_one_that_calibrations_show():
    pump = TruePump(scatter_ml=0.08, scatter_fraction=0.004)
    prior = Prior(scatter_ml=0.08, scatter_fraction=0.004)
    design = design_trials(pump.flow_ml_s, DoseRange(low_ml=10.0), relative_ml(0.04), prior=prior)
    found = [
        predict(fit_law(pump.trials(random.Random(seed), times_of(design))), design.tightest_dose_ml).u95_ml
        for seed in range(60)
    ]
    assert sum(found) / len(found) == pytest.approx(design.u95_ml, rel=0.35)


def test_a_tighter_wish_takes_more_liquid_and_the_reason_says_why():
    prior = Prior(scatter_ml=0.1, scatter_fraction=0.003)
    loose, tight = (design_trials(1.67, DoseRange(low_ml=10.0), relative_ml(f), prior=prior) for f in (0.10, 0.027))
    assert tight.liquid_ml > loose.liquid_ml
    for design in (loose, tight):
        assert f"{design.liquid_ml:.0f} mL in all" in design.reason
        assert f"{design.runs[0][0]:g} s determine the lag" in design.reason
        assert len({on_s for on_s, _ in design.runs}) == 3


def test_a_cheaper_plan_of_the_same_kind_would_miss():
    prior = Prior(scatter_ml=0.1, scatter_fraction=0.003, u_lag_s=10.0)
    tolerance = relative_ml(0.027)
    design = design_trials(1.67, DoseRange(low_ml=10.0), tolerance, prior=prior)
    (short_s, n_short), _, (long_s, n_long) = design.runs
    assert n_short + n_long > 5  # so a run could be saved
    # Two of the short runs, the run that only shows a bend left out: fewer degrees of freedom, a worse lag.
    pump = TruePump(scatter_ml=0.1, scatter_fraction=0.003, u_weighing_ml=0.05)
    fewer = [short_s] * 2 + [long_s] * n_long
    errors = [
        predict(fit_law(pump.trials(random.Random(s), fewer), prior), design.tightest_dose_ml).u95_ml for s in range(60)
    ]
    assert sum(errors) / len(errors) > tolerance(design.tightest_dose_ml)


def test_an_error_that_scatter_forbids_is_refused_with_numbers():
    with pytest.raises(Refused, match="single runs scatter by") as refused:
        design_trials(1.67, DoseRange(low_ml=5.0), relative_ml(0.01))
    assert refused.value.asked == "+-0.05 mL"
    with pytest.raises(Refused, match="leave no room"):
        design_trials(1.67, DoseRange(low_ml=5.0), most_ml=6.0)
    with pytest.raises(Refused, match="empty"):
        DoseRange(low_ml=50.0, high_ml=20.0)


def test_the_largest_run_is_kept():
    design = design_trials(1.67, most_ml=60.0)
    assert max(on_s for on_s, _ in design.runs) * 1.67 <= 61.0


@pytest.mark.parametrize("seed", range(5))
def test_following_the_suggestions_ends_with_enough_known(seed):
    rng = random.Random(seed)
    pump = TruePump()
    trials = pump.trials(rng, (20.0,))
    for _ in range(12):
        found = fit(trials)
        on_s = next_run_time_s(found, DoseRange(low_ml=5.0, high_ml=150.0), most_ml=150.0)
        if on_s is None:
            break
        assert 1.0 <= on_s <= 100.0
        trials += pump.trials(rng, (on_s,))
    assert on_s is None
    assert found.lag_is_known
    assert found.curvature is not None
    least_ml = smallest_dose_ml(found, up_to_ml=150.0)
    assert least_ml is not None
    assert least_ml <= 5.0


def test_a_trial_in_doubt_is_repeated_first():
    trials = TruePump().trials(random.Random(1), (3.0, 3.0, 12.0, 60.0, 60.0))
    trials[2] = Trial(12.0, trials[3].volume_ml, 0.03)
    assert next_run_time_s(fit(trials)) == 12.0
