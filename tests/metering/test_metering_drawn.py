"""A slice of `python3 tests benchmarks coverage`: pumps, scales and tired typists drawn at random."""

import random
import statistics

import pytest

from controller.model.scales import WeighingScale
from tests.metering.drawn_pumps import DOSES_ML, calibrated, false_alarm, mistyped

SEEDS = range(60)


def scale_of(step_g, common_percent=0.01):
    return WeighingScale(resolution_g=step_g, repeatability_g=0.2 * step_g, calibration_percent=common_percent)


@pytest.mark.parametrize("common_percent", [0.01, 0.7])
@pytest.mark.parametrize("step_g", [1.0, 0.1, 0.01])
def test_intervals_hold_their_doses_on_any_scale(step_g, common_percent):
    """3 to 12 trials; 360 doses, six of a pump: about 95 % inside, and hardly wider than they must be."""
    outcomes = [calibrated(seed, 3 + seed % 10, scale_of(step_g, common_percent)) for seed in SEEDS]
    assert 0.90 <= statistics.fmean(one for outcome in outcomes for one in outcome.inside) <= 0.99
    for k in range(len(DOSES_ML)):
        assert statistics.median(outcome.widths[k] for outcome in outcomes) <= 1.3


def test_one_wrong_digit_hardly_moves_the_fit():
    outcomes = [calibrated(seed, 7 + seed % 6, scale_of(0.1), typo=True) for seed in SEEDS]
    off = [one.off for one in outcomes if one.off is not None]
    assert len(off) >= 55
    assert statistics.fmean(abs(volume) <= 0.003 for volume, _ in off) >= 0.9
    assert max(abs(volume) for volume, _ in off) < 0.02
    assert 0.90 <= statistics.fmean(one for outcome in outcomes for one in outcome.inside) <= 0.99


def test_a_coarse_scale_does_not_cry_drift():
    """Taken for a perfect pump, six in ten of such lines were flagged."""
    ends = [false_alarm(seed, scale_of(1.0, 0.7)) for seed in SEEDS]
    assert sum(flagged for _, flagged in ends) / sum(checks for checks, _ in ends) < 3 / 168


def test_a_mistyped_weight_differs_in_one_digit():
    rng = random.Random(1)
    for _ in range(200):
        typed = f"{mistyped(rng, 49.6, 0.1):.1f}"
        assert sum(a != b for a, b in zip(typed.rjust(4, "0"), "49.6", strict=True)) == 1
