"""Tubes against the fluids library, suction checks, and the flow of one liquid against another."""

import math
import random

import fluids
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from msgspec import structs

from controller.errors import Refused
from controller.metering.calibration import Trial, fit, to_calibration
from controller.metering.hydraulics import friction_pa, reynolds
from controller.metering.liquid_factor import expected_factor, measured_factor, with_factor
from controller.metering.suction import MARGIN, check_suction, flow_fraction
from controller.model.book import Liquid
from controller.model.profile import Line, Pump, Tube, Wire
from tests.metering.pumps import TruePump

PUMP = Pump(nominal_flow_ml_s=100 / 60, run_a=0.4, inrush_a=1.2, inrush_s=0.1, rotation="clockwise", suction_kpa=60.0)
WATER = Liquid(liquid="water")
SYRUP = Liquid(liquid="ginger syrup", brix=65.0)


def line(bore_mm=3.0, suction_m=1.0, lift_m=0.2) -> Line:
    tube = Tube(bore_mm=bore_mm, suction_m=suction_m, delivery_m=0.4, lift_m=lift_m)
    return Line(line=4, gpio=6, channel=4, pump=PUMP, tube=tube, wire=Wire(section_mm2=0.5, length_m=1.0))


@pytest.mark.parametrize(
    ("viscosity_mpa_s", "density_kg_m3", "bore_mm", "number", "loss_pa"),
    [
        (1.0016, 998.2, 3, 705, 840), (1.0016, 998.2, 4, 529, 266),
        (2.8, 948.05, 3, 240, 2350), (2.8, 948.05, 4, 180, 743),
        (15.43, 1229.5, 3, 56, 12900), (15.43, 1229.5, 4, 42, 4090),
        (147.2, 1316, 3, 6.3, 123000), (147.2, 1316, 4, 4.7, 39000),
    ],
)  # fmt: skip
def test_worked_examples(viscosity_mpa_s, density_kg_m3, bore_mm, number, loss_pa):
    # 100 mL/min through 1 m: water, spirit of 40 % vol, syrups of 50 and 65 %; worked out by other code.
    flow = {
        "flow_ml_s": 100 / 60,
        "viscosity_mpa_s": viscosity_mpa_s,
        "density_kg_m3": density_kg_m3,
        "bore_mm": bore_mm,
    }
    assert reynolds(**flow) == pytest.approx(number, rel=0.01)
    assert friction_pa(**flow, length_m=1.0) == pytest.approx(loss_pa, rel=0.005)


@settings(deadline=None)
@given(st.floats(0.01, 5.0), st.floats(0.5, 500.0), st.floats(700.0, 1400.0), st.floats(1.0, 10.0), st.floats(0.1, 3.0))
def test_loss_is_that_of_the_fluids_library(flow_ml_s, viscosity_mpa_s, density_kg_m3, bore_mm, length_m):
    bore_m = bore_mm / 1000
    speed_m_s = flow_ml_s * 1e-6 / (math.pi / 4 * bore_m**2)
    number = fluids.Reynolds(V=speed_m_s, D=bore_m, rho=density_kg_m3, mu=viscosity_mpa_s / 1000)
    arguments = {
        "flow_ml_s": flow_ml_s, "viscosity_mpa_s": viscosity_mpa_s, "density_kg_m3": density_kg_m3,
        "bore_mm": bore_mm, "length_m": length_m,
    }  # fmt: skip
    assume(number < 1e5)  # Blasius' law ends there
    factor = fluids.friction_factor(Re=number) if number < 2000 else fluids.friction.Blasius(number)
    outside_pa = factor * length_m / bore_m * density_kg_m3 * speed_m_s**2 / 2
    assert friction_pa(**arguments) == pytest.approx(outside_pa, rel=1e-9)


def test_a_pump_draws_water():
    found = check_suction(line(), WATER)
    assert found.is_good
    assert found.friction_kpa == pytest.approx(0.840, rel=0.005)  # the worked example above
    assert found.lift_kpa == pytest.approx(998.2 * 9.80665 * 0.2 / 1000, rel=1e-4)
    assert (found.bore_mm, found.length_m, found.brix) == (None, None, None)


def test_thick_syrup_starves_and_every_remedy_offered_works():
    found = check_suction(line(), SYRUP)
    assert found.verdict == "starves"
    assert found.friction_kpa == pytest.approx(123, rel=0.03)
    assert found.flow_fraction == pytest.approx((60 - found.lift_kpa) / found.friction_kpa, rel=1e-9)
    for part in ("line 4: ginger syrup at 20 C", "60 kPa", "bore", "suction tube", "Brix"):
        assert part in found.text
    wider = check_suction(line(bore_mm=found.bore_mm), SYRUP)
    shorter = check_suction(line(suction_m=found.length_m), SYRUP)
    thinner = check_suction(line(), structs.replace(SYRUP, brix=found.brix))
    assert wider.is_good
    assert shorter.is_good
    assert thinner.is_good
    assert found.bore_mm is not None and found.length_m is not None and found.brix is not None
    # And hardly less would do: the next step back is not good.
    assert not check_suction(line(bore_mm=found.bore_mm - 0.5), SYRUP).is_good
    assert not check_suction(line(suction_m=found.length_m + 0.06), SYRUP).is_good
    assert not check_suction(line(), structs.replace(SYRUP, brix=found.brix + 1)).is_good


def test_dilution_is_stated_as_water_to_each_litre():
    found = check_suction(line(), SYRUP)
    # One litre of syrup holds 0.65 x density of sugar; spread over brix % it weighs 0.65 / (brix / 100) as much.
    assert found.brix is not None
    water_g = found.density_kg_m3 * (65.0 / found.brix - 1.0)
    assert f"{water_g:.0f} mL of water to each litre" in found.text


def test_a_liqueur_is_never_diluted():
    gin = Liquid(liquid="sloe gin", brix=40.0, abv_percent=25.0)
    found = check_suction(line(bore_mm=1.5), gin)
    assert found.verdict == "starves"
    assert found.brix is None
    assert found.bore_mm is not None


def test_cold_makes_it_worse_and_served_temperature_counts():
    cordial = Liquid(liquid="blackcurrant cordial", brix=55.0, served_at_c=4.0)
    assert check_suction(line(), cordial) == check_suction(line(), cordial, 4.0)
    assert check_suction(line(), cordial).friction_kpa > 1.5 * check_suction(line(), cordial, 20.0).friction_kpa


def test_marginal_lies_between():
    found = check_suction(line(suction_m=0.42), SYRUP)
    assert found.verdict == "marginal"
    assert MARGIN * 60 < found.friction_kpa + found.lift_kpa < 60


def test_turbulent_flow_is_computed_and_not_refused():
    """Soda at 400 mL/min through 0.6 m of 3 mm bore: about 4 kPa, against Colebrook's equation for a smooth tube."""
    pump = structs.replace(PUMP, nominal_flow_ml_s=400 / 60)
    fast = structs.replace(line(suction_m=0.6), pump=pump)
    soda = Liquid(liquid="soda", density_kg_m3=999.0, viscosity_mpa_s=1.0)
    found = check_suction(fast, soda)
    assert found.reynolds == pytest.approx(2826, abs=5)
    speed_m_s = 400e-6 / 60 / (math.pi / 4 * 0.003**2)
    outside_pa = fluids.friction_factor(Re=found.reynolds, eD=0.0) * 0.6 / 0.003 * 999.0 * speed_m_s**2 / 2
    assert 1000 * found.friction_kpa == pytest.approx(outside_pa, rel=0.05)
    assert found.friction_kpa == pytest.approx(4.0, abs=0.2)
    assert found.verdict == "draws"
    assert "turbulent, Reynolds number 28" in found.text


@settings(deadline=None)
@given(st.floats(4000.0, 1e5))
def test_turbulent_friction_is_within_the_known_spread_of_smooth_tube_laws(number):
    flow_ml_s = number * math.pi * 1e-3 * 3e-3 / (4.0 * 1000.0) * 1e6
    loss_pa = friction_pa(flow_ml_s=flow_ml_s, viscosity_mpa_s=1.0, density_kg_m3=1000.0, bore_mm=3.0, length_m=1.0)
    speed_m_s = flow_ml_s * 1e-6 / (math.pi / 4 * 0.003**2)
    outside_pa = fluids.friction_factor(Re=number, eD=0.0) / 0.003 * 1000.0 * speed_m_s**2 / 2
    assert loss_pa == pytest.approx(outside_pa, rel=0.04)


@given(st.floats(0.8, 3.0), st.floats(1.0, 12.0), st.floats(0.5, 2.0))
def test_the_expected_flow_is_what_the_vacuum_can_draw(bore_mm, nominal_ml_s, suction_m):
    tube, pump = line(bore_mm, suction_m).tube, structs.replace(PUMP, nominal_flow_ml_s=nominal_ml_s)
    fraction = flow_fraction(tube, pump, 1.0, 1000.0)
    assert 0.0 < fraction <= 1.0

    def needed(share: float) -> float:
        loss_pa = friction_pa(share * nominal_ml_s, 1.0, 1000.0, bore_mm, suction_m)
        return (loss_pa + 1000.0 * 9.80665 * tube.lift_m) / 60_000.0

    assert needed(fraction) <= 1.0 + 1e-9
    assert fraction <= 1.0 - 0.1 * needed(fraction) + 1e-9
    more = 1.001 * fraction
    assert needed(more) > 1.0 or more > 1.0 - 0.1 * needed(more)


def test_fast_water_in_a_thin_tube_starves_and_a_wider_one_works():
    found = check_suction(line(bore_mm=0.8), WATER)
    assert found.verdict == "starves"
    assert check_suction(line(bore_mm=found.bore_mm), WATER).is_good


def test_too_high_a_lift_has_no_tube_that_helps():
    found = check_suction(line(lift_m=8.0), WATER)
    assert found.verdict == "starves"
    assert (found.bore_mm, found.length_m) == (None, None)
    assert "container higher" in found.text
    assert found.flow_fraction == 0.0 or found.lift_kpa < 60


@settings(deadline=None)
@given(st.floats(0.5, 500.0), st.floats(0.5, 500.0))
def test_flow_never_rises_with_viscosity(one, other):
    tube = line().tube
    low, high = sorted((one, other))
    thin, thick = (flow_fraction(tube, PUMP, viscosity, 1100.0) for viscosity in (low, high))
    assert 0.0 <= thick <= thin <= 1.0


def test_water_calibration_says_what_it_expects_of_syrup():
    found = expected_factor(line(), WATER, Liquid(liquid="lime cordial", brix=50.0))
    assert 0.9 < found.ratio < 1.0
    assert found.u_ratio >= 0.01
    assert expected_factor(line(), WATER, WATER).ratio == 1.0
    starved = expected_factor(line(), WATER, SYRUP)
    assert starved.ratio < 0.5
    assert starved.u_ratio > 0.25  # the less one can tell, the wider
    with pytest.raises(Refused, match="cannot draw"):
        expected_factor(line(lift_m=8.0), WATER, SYRUP)


def test_spot_checks_measure_the_factor_with_its_uncertainty():
    water, syrup = TruePump(), TruePump(flow_ml_s=1.67 * 0.93)
    inside = 0
    for seed in range(60):
        rng = random.Random(seed)
        kept = to_calibration(fit(water.trials(rng, (3.0, 3.0, 20.0, 60.0, 60.0))), 4, "water")
        found = measured_factor(kept, "lime cordial", syrup.trials(rng, (40.0, 40.0)))
        inside += abs(found.ratio - 0.93) <= 2.5 * found.u_ratio
        assert found.u_ratio < 0.02
    assert inside >= 55


def test_a_factor_carries_the_calibration_over():
    kept = to_calibration(fit(TruePump().trials(random.Random(1), (3.0, 3.0, 20.0, 60.0, 60.0))), 4, "water")
    found = measured_factor(kept, "lime cordial", [Trial(40.0, 60.0, 0.05)])
    carried = with_factor(kept, found)
    assert (carried.line, carried.liquid) == (4, "lime cordial")
    assert carried.flow_ml_s * (40.0 - carried.lag_s) == pytest.approx(60.0)
    assert carried.u_flow_ml_s / carried.flow_ml_s > kept.u_flow_ml_s / kept.flow_ml_s


def test_an_expected_factor_counts_as_one_more_observation():
    kept = to_calibration(fit(TruePump().trials(random.Random(1), (3.0, 3.0, 20.0, 60.0, 60.0))), 4, "water")
    expected = expected_factor(line(), WATER, Liquid(liquid="lime cordial", brix=50.0))
    alone = measured_factor(kept, "lime cordial", [Trial(40.0, 58.0, 0.05)])
    both = measured_factor(kept, "lime cordial", [Trial(40.0, 58.0, 0.05)], expected)
    assert min(alone.ratio, expected.ratio) < both.ratio < max(alone.ratio, expected.ratio)
    assert both.u_ratio < min(alone.u_ratio, expected.u_ratio)


def test_a_factor_needs_a_spot_check_longer_than_the_lag():
    kept = structs.replace(to_calibration(fit(TruePump().trials(random.Random(1), (3.0, 60.0))), 4, "water"), lag_s=0.3)
    with pytest.raises(Refused, match="no spot check"):
        measured_factor(kept, "soda", [])
    with pytest.raises(Refused, match="within the lag"):
        measured_factor(kept, "soda", [Trial(0.2, 0.0, 0.05)])
