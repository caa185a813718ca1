"""What the residuals show: bends, outliers, masses noted for the wrong run."""

import random

import pytest

from controller.errors import Refused
from controller.metering.calibration import Trial, fit
from tests.metering.pumps import TruePump, exact_trials

TIMES_S = (3.0, 3.0, 3.0, 12.0, 60.0, 60.0, 60.0)
PUMP = TruePump()


def weighed(seed: int, times_s=TIMES_S) -> list[Trial]:
    return PUMP.trials(random.Random(seed), times_s)


def with_volume(trials: list[Trial], index: int, volume_ml: float) -> list[Trial]:
    changed = list(trials)
    changed[index] = Trial(trials[index].on_s, volume_ml, trials[index].u_volume_ml)
    return changed


@pytest.mark.parametrize("seed", range(20))
def test_the_mass_of_another_run_is_named(seed):
    trials = weighed(seed)
    found = fit(with_volume(trials, 3, trials[5].volume_ml))
    assert found.outliers[0].index == 3
    assert "looks like the mass of trial" in found.outliers[0].suggestion
    assert "(60 s)" in found.outliers[0].suggestion
    assert found.warnings[0].text.startswith("Trial 4 (12 s) does not fit")


@pytest.mark.parametrize("seed", range(20))
def test_two_exchanged_masses_are_named(seed):
    trials = weighed(seed)
    changed = with_volume(with_volume(trials, 1, trials[3].volume_ml), 3, trials[1].volume_ml)
    # Trials 1 to 3 ran equally long: which of them was exchanged shows only in the volumes noted.
    found = fit(changed)
    assert found.exchanged == (1, 3)
    assert found.warnings[0].text.startswith("The masses of trials 2 and 4 look exchanged")


def test_exchanged_masses_that_turn_the_line_round_are_named_in_the_refusal():
    trials = exact_trials(1.7, 0.1, (3.0, 60.0))
    with pytest.raises(Refused, match="trials 1 and 2 look exchanged"):
        fit([Trial(3.0, trials[1].volume_ml, 0.05), Trial(60.0, trials[0].volume_ml, 0.05)])


def test_a_jar_that_was_not_emptied_is_suggested():
    trials = weighed(1)
    found = fit(with_volume(trials, 4, trials[4].volume_ml + trials[3].volume_ml))
    assert found.outliers[0].index == 4
    assert "still held trial 4" in found.outliers[0].suggestion


def test_a_slipped_decimal_point_is_suggested():
    trials = weighed(2)
    found = fit(with_volume(trials, 3, 10.0 * trials[3].volume_ml))
    assert "decimal" in found.outliers[0].suggestion


@pytest.mark.parametrize("seed", range(5))
def test_an_outlier_among_three_trials_is_found_with_the_assumed_scatter(seed):
    trials = weighed(seed, (5.0, 20.0, 60.0))
    found = fit(with_volume(trials, 1, trials[1].volume_ml * 1.4))
    assert found.outliers
    assert found.warnings


def test_false_alarms_are_as_rare_as_stated():
    """2 % after Bonferroni for outliers, 1 % for bends: more than 10 and 7 in 200 calibrations are hardly probable."""
    times = (3.0, 3.0, 15.0, 30.0, 60.0, 60.0)
    found = [fit(weighed(seed, times)) for seed in range(200)]
    assert sum(bool(one.outliers) for one in found) <= 10
    assert sum(one.curvature is not None and one.curvature.is_significant for one in found) <= 7
    assert sum(one.exchanged is not None for one in found) <= 2


def bent(seed: int) -> list[Trial]:
    """Trials of a flow that falls by 10 % over the range of run times."""
    rng = random.Random(seed)
    return [
        Trial(one.on_s, one.volume_ml * (1.0 - 0.05 * one.on_s / 57.0) + rng.gauss(0.0, 0.01), one.u_volume_ml)
        for one in weighed(seed, (3.0, 3.0, 15.0, 30.0, 30.0, 60.0, 60.0))
    ]


def test_bends_are_found():
    found = [bend for seed in range(10) if (bend := fit(bent(seed)).curvature) is not None]
    assert len(found) == 10
    assert sum(one.is_significant for one in found) >= 8
    assert [one.flow_change for one in found] == pytest.approx([-0.1] * 10, abs=0.05)
    assert any("A straight line does not fit" in one.text for one in fit(bent(4)).warnings)


def test_two_run_times_cannot_show_a_bend():
    assert fit(weighed(1, (3.0, 3.0, 60.0, 60.0))).curvature is None


def test_exact_trials_have_no_bend():
    curvature = fit(exact_trials(1.7, 0.1, (2.0, 5.0, 20.0, 40.0, 60.0))).curvature
    assert curvature is not None
    assert not curvature.is_significant
