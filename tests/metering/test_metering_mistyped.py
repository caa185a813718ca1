"""A wild trial among six or more is found, left out and named; a coarse scale is not taken for a perfect pump."""

import math
import random

import pytest

from controller.errors import Refused
from controller.metering.calibration import Trial, fit, fit_law
from controller.metering.trials import DEFAULT_PRIOR, with_shared_rounding
from tests.metering.pumps import TruePump, exact_trials

TIMES_S = (2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0, 12.0)
PUMP = TruePump(flow_ml_s=4.9, scatter_ml=0.05, scatter_fraction=0.003)


def weighed(seed: int) -> list[Trial]:
    return PUMP.trials(random.Random(seed), TIMES_S)


def with_volume(trials: list[Trial], index: int, volume_ml: float) -> list[Trial]:
    changed = list(trials)
    changed[index] = Trial(trials[index].on_s, volume_ml, trials[index].u_volume_ml)
    return changed


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("index", [0, 3, 6])
@pytest.mark.parametrize("factor", [0.0, 0.6, 0.9, 1.1, 10.0])
def test_a_wild_trial_of_eight_is_left_out_and_named(seed, index, factor):
    trials = weighed(seed)
    found = fit(with_volume(trials, index, factor * trials[index].volume_ml))
    without = fit([one for k, one in enumerate(trials) if k != index])
    assert found.left_out == (index,)
    assert found.flow_ml_s == pytest.approx(without.flow_ml_s, rel=1e-3)
    assert any(f"Trial {index + 1} " in one.text and "It is left out." in one.text for one in found.warnings)


def test_a_wild_trial_that_turns_the_line_round_is_left_out_too():
    """Least squares alone would see less from longer runs, and refuse."""
    trials = exact_trials(4.9, 0.1, (3.0, 5.0, 7.0, 9.0, 11.0, 13.0))
    found = fit(with_volume(trials, 0, 500.0))
    assert found.left_out == (0,)
    assert found.flow_ml_s == pytest.approx(4.9, rel=1e-6)


def test_two_wild_trials_of_eight_are_left_out_and_three_are_refused_with_their_numbers():
    trials = with_volume(with_volume(weighed(1), 2, 60.0), 5, 12.0)
    assert fit(trials).left_out == (2, 5)
    with pytest.raises(Refused, match=r"trials .* do not fit the others") as refused:
        fit(with_volume(trials, 7, 5.0))
    assert "8" in refused.value.reason


def test_of_five_trials_none_is_left_out_but_the_wild_one_is_named():
    trials = weighed(2)[:5]
    found = fit(with_volume(trials, 3, 0.6 * trials[3].volume_ml))
    assert found.left_out == ()
    assert [one.index for one in found.outliers] == [3]


def test_trials_that_agree_to_the_last_digit_of_a_coarse_scale_do_not_make_a_perfect_pump():
    rounded = [Trial(on_s, round(4.9 * (on_s - 0.1)), 0.32, step_ml=1.0) for on_s in (3.0, 6.0, 9.0, 12.0)]
    law = fit_law(rounded)
    assert law.scatter.at_ml(20.0) > 0.5 * math.hypot(DEFAULT_PRIOR.scatter_ml, DEFAULT_PRIOR.scatter_fraction * 20.0)
    assert law.u_mean_ml(9.0) > 0.1
    assert law.weighing_share > 0.8


def test_equal_runs_share_their_rounding_on_a_coarse_scale_and_not_on_a_fine_one():
    """The correlation of rounding errors by simulation: readings of two runs that differ by the pump's scatter."""
    trials = [Trial(2.0, 9.0, step / math.sqrt(12.0), step_ml=step) for step in (1.0, 1.0, 1.0)]
    spread_ml = math.hypot(DEFAULT_PRIOR.scatter_ml, DEFAULT_PRIOR.scatter_fraction * 9.0)
    rng = random.Random(1)
    errors = []
    for _ in range(20_000):
        true_ml = 9.0 + rng.uniform(-0.5, 0.5)
        readings = [true_ml + rng.gauss(0.0, spread_ml) for _ in range(3)]
        errors.append(math.fsum(round(one) - one for one in readings) / 3.0)
    of_mean = math.sqrt(math.fsum(one**2 for one in errors) / len(errors))
    widened = with_shared_rounding(trials, DEFAULT_PRIOR)
    assert widened[0].u_volume_ml / math.sqrt(3.0) == pytest.approx(of_mean, rel=0.03)
    fine = [Trial(2.0, 9.0, 0.003, step_ml=0.01)] * 3
    assert with_shared_rounding(fine, DEFAULT_PRIOR)[0].u_volume_ml == pytest.approx(0.003, rel=1e-3)


def test_an_error_common_to_all_trials_is_not_averaged_away():
    trials = PUMP.trials(random.Random(3), TIMES_S * 4)
    law, shared = fit_law(trials), fit_law(trials, u_common=0.007)
    assert shared.flow_ml_s == law.flow_ml_s
    on_s = law.run_time_s(50.0)
    assert shared.u_mean_ml(on_s) == pytest.approx(math.hypot(law.u_mean_ml(on_s), 0.35), rel=1e-6)
    assert shared.with_common(0.0).covariance[0][0] == pytest.approx(law.covariance[0][0], rel=1e-9)


def test_degrees_of_freedom_are_those_of_welch_and_satterthwaite():
    # GUM (JCGM 100:2008), G.4.1: u^4 / sum(u_i^4 / nu_i), here with one part of nu degrees and the others certain.
    law = fit_law(PUMP.trials(random.Random(3), (3.0, 12.0, 12.0)), u_common=0.01)
    u_ml, dof = law.single_run(10.0)
    mean_ml2 = law.with_common(0.0).u_mean_ml(10.0) ** 2
    unsure_ml2 = (1.0 - law.weighing_share) * mean_ml2 + law.scatter.at_ml(law.delivered_ml(10.0)) ** 2
    assert dof == pytest.approx(u_ml**4 / (unsure_ml2**2 / law.scatter.degrees_of_freedom))
    assert dof > law.scatter.degrees_of_freedom
