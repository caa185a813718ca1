"""Pins, relays, contacts and the record of what they did."""

from typing import Literal

import pytest
from msgspec.structs import replace

from controller.bench import trace
from controller.bench.link import DirectLink
from controller.bench.plant import Plant
from controller.bench.trace import ContactEntry, LevelEntry, read_trace
from controller.clock import VirtualClock
from controller.errors import BoardError, OutOfRange
from tests.bench import fete_machine as fete
from tests.bench.desk import Desk

# Pull after reset by GPIO: 0-8 up, 9-27 down (BCM2835 ARM Peripherals, table 6-31).
PULLED_UP = set(range(9))


@pytest.fixture
def desk() -> Desk:
    return Desk()


def switched_on(boot_lines: tuple[str, ...], gpio: int, active_level: Literal["low", "high"] = "low") -> Plant:
    """A bench of one line on this GPIO, one second after it got its power."""
    profile = fete.profile(active_level=active_level, lines=(replace(fete.line(1), gpio=gpio),))
    profile = replace(profile, board=replace(profile.board, boot_lines=boot_lines))
    clock = VirtualClock()
    plant = Plant(profile, fete.book([1]), clock=clock)
    clock.move_to(1.0)
    return plant


def test_unclaimed_pins_carry_their_reset_pull(desk):
    unclaimed = set(range(28)) - set(fete.GPIO.values()) - {fete.STOP, fete.GLASS, fete.TRAY, fete.LEVEL_2}
    assert {gpio for gpio in unclaimed if desk.link.read_pin(gpio)} == unclaimed & PULLED_UP


@pytest.mark.parametrize(
    ("gpio", "active_level", "boot_lines", "runs"),
    [
        (4, "low", (), False),
        (24, "low", (), True),
        (24, "low", ("gpio=24=op,dh",), False),
        (24, "low", ("gpio=20-25=pu",), False),
        (24, "high", (), False),
        (4, "high", (), True),
        (4, "high", ("gpio=3,4=op,dl",), False),
        (4, "low", ("gpio=4=op,dh", "gpio=4=op,dl"), True),
    ],
)
def test_a_relay_that_the_reset_pull_holds_in_runs_its_pump_while_the_board_boots(gpio, active_level, boot_lines, runs):
    plant = switched_on(boot_lines, gpio, active_level)
    assert plant.report().lines[0].contact_closed == runs
    assert (plant.container_ml(1) < 2000.0) == runs


def test_the_contact_follows_the_level_after_operate_and_release_time(desk):
    line = desk.plant.truth.lines[3]
    desk.switch(3, True)
    desk.wait(1.0)
    desk.switch(3, False)
    desk.wait(1.0)
    closed, opened = desk.plant.trace.contacts(3)
    assert (closed.at_s, opened.at_s) == (pytest.approx(50.0 + line.operate_s), pytest.approx(51.0 + line.release_s))
    assert 0.8 * 0.008 <= line.operate_s <= 1.2 * 0.008 and 0.8 * 0.005 <= line.release_s <= 1.2 * 0.005


def test_a_pulse_shorter_than_the_operate_time_is_in_the_trace_but_moves_nothing(desk):
    desk.switch(1, True)
    desk.wait(0.0011)
    desk.switch(1, False)
    desk.wait(1.0)
    assert [one.level for one in desk.plant.trace.levels(2)] == [True, False, True]
    assert desk.plant.trace.contacts(1) == []
    assert desk.plant.container_ml(1) == 2000.0


def test_a_gap_shorter_than_the_release_time_does_not_open_the_contact(desk):
    desk.switch(1, True)
    desk.wait(1.0)
    desk.switch(1, False)
    desk.wait(0.002)
    desk.switch(1, True)
    desk.wait(1.0)
    assert [one.closed for one in desk.plant.trace.contacts(1)] == [True]


@pytest.mark.parametrize("persist", [True, False])
def test_pins_of_a_holder_that_left(persist):
    desk = Desk(persist=persist)
    desk.switch(1, True)
    desk.wait(1.0)
    desk.link.close()
    desk.wait(1.0)
    assert desk.plant.report().lines[0].contact_closed == persist
    DirectLink(desk.plant, "next").claim_output(fete.GPIO[1], True)
    desk.wait(1.0)
    assert not desk.plant.report().lines[0].contact_closed


def test_a_released_output_stays_as_it_is_driven(desk):
    desk.link.release_pin(fete.GPIO[1])
    last = desk.plant.trace.levels(fete.GPIO[1])[-1]
    assert (last.mode, last.level, last.holder) == ("output", True, None)


def test_who_has_not_claimed_a_pin_cannot_drive_it(desk):
    other = DirectLink(desk.plant, "other")
    with pytest.raises(BoardError, match="GPIO 2 is held by desk"):
        other.claim_output(2, True)
    with pytest.raises(BoardError, match="GPIO 2 is held by desk"):
        other.claim_input(2, "up")
    with pytest.raises(BoardError, match="GPIO 2 is not claimed by other"):
        other.set_pin(2, False)
    with pytest.raises(BoardError, match="GPIO 9 is not claimed by other"):
        other.release_pin(9)
    with pytest.raises(OutOfRange, match="gpio is 28"):
        other.claim_output(28, True)
    with pytest.raises(BoardError, match="GPIO 27 is not an output"):
        other.claim_input(27, "up")
        other.set_pin(27, True)


def test_contacts_close_and_open_with_what_they_watch(desk):
    for gpio in (fete.STOP, fete.GLASS, fete.LEVEL_2):
        desk.link.claim_input(gpio, "up")
    assert desk.plant.contacts() == {"stop": True, "glass": False, "drip tray": False, "level 2": False}
    desk.plant.press_stop()
    desk.plant.place_glass("tumbler")
    desk.plant.hang(2, "blackcurrant cordial", 20.0)
    assert desk.plant.contacts() == {"stop": False, "glass": True, "drip tray": False, "level 2": True}
    assert [desk.link.read_pin(gpio) for gpio in (fete.STOP, fete.GLASS, fete.LEVEL_2)] == [True, False, False]
    desk.plant.release_stop()
    desk.plant.lift_glass()
    desk.plant.hang(2, "blackcurrant cordial", 2000.0)
    assert desk.plant.contacts() == {"stop": True, "glass": False, "drip tray": False, "level 2": False}


def test_a_level_contact_closes_while_the_pump_runs(desk):
    low_ml = desk.plant.truth.lines[2].low_ml
    desk.plant.hang(2, "cold tea", low_ml + 5.0)
    desk.switch(2, True)
    desk.wait(1.0)
    assert desk.plant.contacts()["level 2"] is False
    desk.wait(4.0)
    assert desk.plant.contacts()["level 2"] is True
    assert desk.plant.container_ml(2) == pytest.approx(low_ml, abs=5.0)


def test_the_trace_in_memory_is_bounded_and_its_file_is_whole(tmp_path, monkeypatch):
    monkeypatch.setattr(trace, "KEPT", 10)
    clock = VirtualClock()
    plant = Plant(fete.profile(), fete.book(), clock=clock, trace_path=tmp_path / "trace.jsonl")
    plant.claim_output(2, True)
    for turn in range(50):
        clock.move_to(turn + 1.0)
        plant.set_pin(2, turn % 2 == 1)
    clock.move_to(60.0)
    plant.close()
    plant.close()
    entries = read_trace(tmp_path / "trace.jsonl")
    assert len([one for one in entries if isinstance(one, LevelEntry)]) == 51
    assert [one.closed for one in entries if isinstance(one, ContactEntry)] == [True, False] * 25
    assert entries[-10:] == list(plant.trace.entries)
