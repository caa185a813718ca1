"""The pumps' feed on the bench: main relay and current contact, from the levels at the pins alone."""

import pytest

from controller.bench.faults import InjectedFault
from controller.bench.plant import Plant
from controller.bench.trace import ActionEntry
from controller.clock import VirtualClock
from controller.errors import Refused
from tests.shipped import shipped

PROFILE, BOOK = shipped("bench_eight_line", "harvest_supper")
SIX, FETE = shipped("bench_six_line", "orchard_fete")
MAIN, LINE_4, CURRENT = 25, 5, 18  # GPIOs
ON, OFF = False, True  # at the active-low relay board


@pytest.fixture
def clock():
    return VirtualClock()


@pytest.fixture
def plant(clock):
    made = Plant(PROFILE, BOOK, clock=clock, seed=3)
    made.claim_output(MAIN, False)
    made.claim_output(LINE_4, OFF)
    made.claim_input(CURRENT, "up")
    return made


@pytest.fixture
def wait(clock):
    return lambda seconds: clock.move_to(clock.now_s() + seconds)


def draws(plant):
    """Whether current flows, by the ammeter; the contact at its pin must say the same."""
    pumps_a = plant.report().pumps_a
    assert plant.read_pin(CURRENT) == (pumps_a <= 0.1)  # closed reads low
    return pumps_a > 0.1


@pytest.mark.parametrize("first", [MAIN, LINE_4])
def test_a_pump_has_voltage_only_while_both_relays_are_closed(plant, wait, first):
    levels = {MAIN: True, LINE_4: ON}
    plant.set_pin(first, levels.pop(first))
    wait(1.0)
    assert not draws(plant)
    assert plant.true_delivered_ml(4) == 0
    ((second, level),) = levels.items()
    plant.set_pin(second, level)
    wait(10.0)
    assert draws(plant)
    assert plant.true_delivered_ml(4) > 0
    plant.set_pin(first, False if first == MAIN else OFF)
    wait(1.0)
    delivered_ml = plant.true_delivered_ml(4)
    assert not draws(plant)
    wait(5.0)
    assert plant.true_delivered_ml(4) == delivered_ml


def test_the_main_relay_takes_its_time(plant, wait):
    plant.set_pin(MAIN, True)
    wait(1.0)
    plant.set_pin(MAIN, False)
    wait(1.0)
    closed, opened = plant.trace.feed()
    assert (closed.closed, opened.closed) == (True, False)
    assert closed.at_s == pytest.approx(0.015, rel=0.2)
    assert opened.at_s == pytest.approx(1.010, abs=0.2 * 0.010)


def test_a_main_relay_that_is_let_go_takes_the_voltage_of_a_relay_that_sticks(plant, wait):
    plant.set_pin(MAIN, True)
    plant.inject(InjectedFault(kind="relay stuck on", line=4))
    wait(1.0)
    assert draws(plant)
    plant.set_pin(MAIN, False)
    wait(0.5)
    assert not draws(plant)
    assert plant.report().lines[3].contact_closed


def test_a_main_relay_sticks_open_and_closed(plant, wait):
    plant.inject(InjectedFault(kind="main relay stuck on"))
    plant.set_pin(LINE_4, ON)
    wait(1.0)
    assert draws(plant)
    plant.clear(InjectedFault(kind="main relay stuck on"))
    wait(1.0)
    assert not draws(plant)
    plant.inject(InjectedFault(kind="main relay stuck off"))
    plant.set_pin(MAIN, True)
    wait(1.0)
    assert not draws(plant)
    assert next(one.text for one in plant.trace.entries if isinstance(one, ActionEntry)) == "fault: main relay stuck on"


def test_a_stalled_pump_draws_current_too(plant, wait):
    plant.inject(InjectedFault(kind="pump stalled", line=4))
    plant.set_pin(MAIN, True)
    plant.set_pin(LINE_4, ON)
    wait(1.0)
    assert draws(plant)


def test_a_machine_without_a_main_relay_is_always_fed_and_has_none_to_stick(clock):
    plant = Plant(SIX, FETE, clock=clock, seed=3)
    assert plant.report().is_fed
    assert "current" not in plant.contacts()
    with pytest.raises(Refused, match="no main relay"):
        plant.inject(InjectedFault(kind="main relay stuck on"))
