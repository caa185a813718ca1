"""Funnel, glass, tray and scale."""

import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from controller.bench.truth import FunnelTruth
from controller.bench.vessels import Vessels, drain, total_ml
from controller.errors import Refused
from tests.bench import fete_machine as fete
from tests.bench.desk import Desk

FUNNEL = FunnelTruth(drain_ml_s=10.0, drain_time_s=0.15, capacity_ml=60.0, film_ml=0.2, tray_capacity_ml=500.0)


@pytest.fixture
def desk() -> Desk:
    return Desk()


@pytest.mark.parametrize(
    ("held_ml", "inflow_ml_s", "seconds"),
    [(0.0, 4.0, 0.02), (0.0, 4.0, 2.0), (5.0, 0.0, 3.0), (5.0, 4.0, 0.4), (0.3, 14.0, 5.0), (8.0, 14.0, 2.0)],
)
def test_the_funnel_against_its_differential_equation(held_ml, inflow_ml_s, seconds):
    def rise(_, state):
        return inflow_ml_s - min(max(state[0] - FUNNEL.film_ml, 0.0) / FUNNEL.drain_time_s, FUNNEL.drain_ml_s)

    solved = solve_ivp(rise, (0, seconds), [held_ml], rtol=1e-9, atol=1e-12, max_step=0.001)
    after_ml, spilt_ml = drain(FUNNEL, held_ml, inflow_ml_s, seconds)
    assert spilt_ml == 0
    assert after_ml == pytest.approx(solved.y[0, -1], abs=2e-4)


@given(
    held_ml=st.floats(0.0, 60.0), inflow_ml_s=st.floats(0.0, 40.0), seconds=st.floats(1e-6, 100.0), cut=st.floats(0, 1)
)
def test_the_funnel_keeps_the_books_and_its_rim(held_ml, inflow_ml_s, seconds, cut):
    after_ml, spilt_ml = drain(FUNNEL, held_ml, inflow_ml_s, seconds)
    through_ml = held_ml + inflow_ml_s * seconds - after_ml - spilt_ml
    assert 0 <= after_ml <= FUNNEL.capacity_ml + 1e-9 and spilt_ml >= 0
    assert -1e-9 <= through_ml <= FUNNEL.drain_ml_s * seconds + 1e-6
    half_ml, half_spilt_ml = drain(FUNNEL, held_ml, inflow_ml_s, cut * seconds)
    rest_ml, rest_spilt_ml = drain(FUNNEL, half_ml, inflow_ml_s, seconds - cut * seconds)
    assert rest_ml == pytest.approx(after_ml, abs=1e-6)
    assert half_spilt_ml + rest_spilt_ml == pytest.approx(spilt_ml, abs=1e-6)


def test_more_than_the_funnel_drains_runs_over_its_rim():
    vessels = Vessels(FUNNEL)
    vessels.flow(10.0, {"soda": 200.0}, {})
    assert total_ml(vessels.funnel) == pytest.approx(60.0)
    assert total_ml(vessels.tray) == pytest.approx(200.0 - 60.0)


def test_without_a_glass_all_goes_to_the_tray_and_closes_its_contact(desk):
    desk.fill(6)
    while not desk.plant.contacts()["drip tray"]:
        desk.run(6, 60.0)
        if desk.plant.container_ml(6) < 500.0:
            desk.plant.hang(6, "soda", 2000.0)
    assert sum(desk.plant.report().tray_ml.values()) >= desk.plant.truth.funnel.tray_capacity_ml
    assert desk.link.read_pin(fete.TRAY) is False  # no pull-up set: a closed contact and an open one both read low
    desk.link.claim_input(fete.TRAY, "up")
    assert desk.link.read_pin(fete.TRAY) is False
    desk.plant.set_tray(full=False)
    assert desk.link.read_pin(fete.TRAY) is True


def test_a_glass_runs_over_at_its_brim(desk):
    desk.fill(6)
    desk.plant.place_glass(brim_ml=50.0)
    desk.run(6, 60.0)
    assert sum(desk.plant.glass_contents_ml().values()) == pytest.approx(50.0)
    assert sum(desk.plant.report().tray_ml.values()) > 20.0


def test_a_lifted_glass_keeps_what_it_holds_and_misses_the_rest(desk):
    desk.fill(6)
    desk.plant.place_glass("tumbler")
    desk.switch(6, True)
    desk.wait(20.0)
    held = desk.plant.lift_glass()
    desk.wait(20.0)
    assert desk.plant.glass_contents_ml() == held
    desk.plant.place_glass()
    desk.switch(6, False)
    desk.wait(2.0)
    flow_ml_s = desk.plant.truth_report()[5].flow_ml_s
    assert desk.plant.glass_contents_ml()["soda"] == pytest.approx(20.0 * flow_ml_s, abs=1.0)


def test_the_hand_that_moves_glasses_is_refused_what_cannot_be(desk):
    with pytest.raises(Refused, match="the book has no glass 'goblet'"):
        desk.plant.place_glass("goblet")
    with pytest.raises(Refused, match="no glass was lifted"):
        desk.plant.place_glass()
    with pytest.raises(Refused, match="no glass stands there"):
        desk.plant.lift_glass()
    with pytest.raises(Refused, match="there is no glass"):
        desk.plant.empty_glass()
    with pytest.raises(ValueError, match="brim_ml is -5 mL"):
        desk.plant.place_glass(brim_ml=-5.0)
    desk.plant.place_glass("tumbler")
    with pytest.raises(Refused, match="a glass stands there already"):
        desk.plant.place_glass("tumbler")


def test_the_scale_weighs_what_is_in_the_glass_with_noise_and_in_hundredths(desk):
    desk.fill(6)
    desk.plant.place_glass("tumbler")
    desk.wait(3.0)
    desk.plant.tare()
    desk.run(6, 20.0)
    readings = []
    for _ in range(300):
        desk.wait(0.1)
        readings.append(desk.plant.scale_g())
    poured_ml = desk.plant.glass_contents_ml()["soda"]
    # 1 mL weighs (density - air) / (1 - air / 8000) mg in air of 1.2 kg/m3: OIML D 28:2004, conventional mass
    density = (desk.plant.truth.fluids["soda"].density_kg_m3 - 1.2) / (1 - 1.2 / 8000) / 1000
    assert statistics.fmean(readings) == pytest.approx(poured_ml * density, abs=0.1)  # the tare has noise of its own
    assert 0.02 < statistics.stdev(readings) < 0.04
    assert all(round(one * 100) == pytest.approx(one * 100, abs=1e-6) for one in readings)


def test_the_scale_settles_after_a_glass_is_set_down(desk):
    desk.plant.place_glass("tumbler")
    assert abs(desk.plant.scale_g()) < 0.2
    desk.wait(0.3)
    half_way_g = desk.plant.scale_g()
    desk.wait(3.0)
    settled_g = desk.plant.scale_g()
    assert 0.5 * settled_g < half_way_g < 0.8 * settled_g
    desk.plant.lift_glass()
    desk.wait(3.0)
    assert abs(desk.plant.scale_g()) < 0.2


def test_the_funnels_film_keeps_the_first_drops_and_mixes_a_trace_into_the_next_glass(desk):
    desk.fill(5)
    desk.fill(6)
    desk.plant.place_glass("tumbler")
    desk.run(5, 10.0)
    desk.plant.empty_glass()
    delivered_ml = desk.run(6, 20.0)
    held = desk.plant.glass_contents_ml()
    assert sum(held.values()) == pytest.approx(delivered_ml, abs=0.01)
    film_ml = desk.plant.truth.funnel.film_ml
    assert 0.5 * film_ml < held["cold tea"] <= film_ml + 0.01
