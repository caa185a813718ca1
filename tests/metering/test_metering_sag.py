"""Sag: learned from mixed trials of one line, or from one jar that several lines fill together."""

import random

import pytest

from controller.errors import Refused
from controller.metering.calibration import fit, to_calibration
from controller.metering.sag import Share, sag_from_trials
from tests.metering.pumps import TruePump

TIMES_S = (3.0, 3.0, 3.0, 20.0, 60.0, 60.0, 60.0)
SAG = 0.035


def calibrated(seed: int, line: int, pump: TruePump):
    found = fit(pump.trials(random.Random(seed), TIMES_S))
    return to_calibration(found, line, "apple juice")


def jar(seed: int, pumps: list[TruePump], on_s: float, run_a: float, density_kg_m3: float = 1042.0):
    """Grams of all pumps running together for on_s, each drawing run_a, and the shares that describe it."""
    rng = random.Random(1000 + seed)
    others_a = run_a * (len(pumps) - 1)
    in_air = (density_kg_m3 - 1.2) / (1.0 - 1.2 / 8000.0) / 1000.0
    grams = sum(pump.run_ml(rng, on_s, others_a) for pump in pumps) * in_air + rng.gauss(0.0, 0.05)
    shares = [
        Share(
            calibration=calibrated(10 * seed + k, k + 1, pump),
            on_s=on_s,
            others_a=others_a,
            density_kg_m3=density_kg_m3,
        )
        for k, pump in enumerate(pumps)
    ]
    return grams, shares


def test_one_jar_tells_the_common_sag_with_its_uncertainty():
    pumps = [TruePump(flow_ml_s=flow, sag_per_a=SAG) for flow in (1.4, 1.7, 1.9)]
    inside = 0
    for seed in range(40):
        grams, shares = jar(seed, pumps, 40.0, 0.4)
        found = sag_from_trials(shares, grams, 0.05)
        assert found.expected_g > grams
        inside += abs(found.sag_per_a - SAG) <= 2.3 * found.u_sag_per_a
        assert found.u_sag_per_a < 0.01
    assert inside >= 36  # 2.3 standard uncertainties: 95 % at the 8 or so degrees of freedom of such calibrations


def test_exact_grams_give_the_exact_sag():
    pump = TruePump(sag_per_a=SAG, scatter_ml=0.0, scatter_fraction=0.0, u_weighing_ml=1e-6)
    grams, shares = jar(1, [pump, pump], 50.0, 0.5)
    found = sag_from_trials(shares, grams, 0.05)
    assert found.sag_per_a == pytest.approx(SAG, abs=2e-3)  # 0.05 g of the scale on 170 g, over 0.5 A


def test_a_trial_beside_pumps_that_drew_nothing_is_refused():
    grams, shares = jar(1, [TruePump()], 20.0, 0.4)
    with pytest.raises(Refused, match="no line ran beside another"):
        sag_from_trials(shares, grams, 0.05)


def test_run_times_with_sag_deliver_and_without_it_fall_short():
    pump = TruePump(sag_per_a=SAG)
    times = (*TIMES_S, 20.0, 40.0, 60.0)
    found = fit(pump.trials(random.Random(7), times, (0.0,) * 7 + (1.5, 1.5, 1.5)))
    others_a, dose_ml = 2.0, 50.0
    with_sag = pump.mean_ml(found.run_time_s(dose_ml, others_a), others_a)
    without = pump.mean_ml(found.run_time_s(dose_ml), others_a)
    assert with_sag == pytest.approx(dose_ml, rel=0.006)
    assert without == pytest.approx(dose_ml * (1.0 - 2.0 * SAG), rel=0.006)
