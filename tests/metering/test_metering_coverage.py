"""The 95 % interval holds 95 % of doses: over calibrations of invented pumps whose truth is known."""

import random

import pytest

from controller.metering.calibration import fit_law
from controller.metering.dose import predict
from tests.metering.pumps import TruePump

DOSES_ML = (5.0, 15.0, 40.0, 99.0, 200.0)
SEEDS = range(150)
TIMES_S = (3.0, 3.0, 3.0, 3.0, 25.0, 25.0, 80.0, 80.0, 80.0)


def share_inside(pump: TruePump, times_s, currents=(), others_a: float = 0.0) -> float:
    """Share of single doses that fall into the interval predicted from a fresh calibration."""
    inside = count = 0
    for seed in SEEDS:
        rng = random.Random(seed)
        law = fit_law(pump.trials(rng, times_s, currents))
        for dose_ml in DOSES_ML:
            expected = predict(law, dose_ml, others_a=others_a)
            for _ in range(8):
                inside += expected.low_ml <= pump.run_ml(rng, expected.run_time_s, others_a) <= expected.high_ml
                count += 1
    return inside / count


@pytest.mark.parametrize(
    "pump",
    [
        TruePump(scatter_ml=0.1, scatter_fraction=0.004),
        TruePump(scatter_ml=0.04, scatter_fraction=0.003, lag_s=-0.05),
        TruePump(scatter_ml=0.25, scatter_fraction=0.008, flow_ml_s=2.4, lag_s=0.2),
        TruePump(scatter_ml=0.02, scatter_fraction=0.005),
        TruePump(scatter_ml=0.25, scatter_fraction=0.0005),
    ],
    ids=["usual", "fine", "coarse", "proportional", "fixed"],
)
def test_95_percent_of_doses_fall_into_the_interval(pump):
    assert 0.93 <= share_inside(pump, TIMES_S) <= 0.98


def test_a_coarse_scale_is_distinguished_from_a_coarse_pump():
    """The weighing's scatter widens what is known of the mean, and is no part of a single dose."""
    pump = TruePump(scatter_ml=0.05, scatter_fraction=0.003, u_weighing_ml=0.3)
    assert 0.93 <= share_inside(pump, TIMES_S) <= 0.98


def test_coverage_with_sag_learned_from_mixed_trials():
    pump = TruePump(sag_per_a=0.03)
    currents = (0.0, 0.0, 0.0, 1.2, 1.2, 0.0, 0.0, 1.2, 0.0)
    assert 0.93 <= share_inside(pump, TIMES_S, currents, others_a=1.2) <= 0.97


def test_ignoring_lag_or_scatter_would_not_cover():
    """The wrong answers: what one flow per pump, and the uncertainty of the mean alone, would claim."""
    pump = TruePump(lag_s=0.3)
    one_flow = mean_only = count = 0
    for seed in SEEDS:
        rng = random.Random(seed)
        law = fit_law(pump.trials(rng, TIMES_S))
        for dose_ml in DOSES_ML:
            expected = predict(law, dose_ml)
            naive = pump.run_ml(rng, dose_ml / law.flow_ml_s)
            one_flow += abs(naive - dose_ml) <= expected.u95_ml
            delivered = pump.run_ml(rng, expected.run_time_s)
            mean_only += abs(delivered - dose_ml) <= 1.96 * law.u_mean_ml(expected.run_time_s)
            count += 1
    assert one_flow / count < 0.7
    assert mean_only / count < 0.8
