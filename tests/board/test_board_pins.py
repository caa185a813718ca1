"""The judge of pin traces, on traces written by hand."""

import math
from dataclasses import dataclass

import pytest

from tests.board import board_pins
from tests.board.board_pins import Pulse, Window


@dataclass(frozen=True)
class Change:
    at: float
    pin: int
    new: str


CLAIM_OFF = [Change(1.0, 5, "high"), Change(1.0, 6, "high")]  # an active-low relay board
RUN = [Change(10.0, 5, "low"), Change(12.5, 5, "high")]
GPIOS = frozenset({5, 6})
ASKED = Window(gpios=frozenset({5}), start_s=9.0, end_s=20.0)


def judged(changes, *windows):
    return board_pins.unasked(board_pins.pulses(changes, GPIOS, "low"), windows)


def test_a_run_inside_its_window_is_accepted():
    assert board_pins.pulses(CLAIM_OFF + RUN, GPIOS, "low") == [Pulse(gpio=5, start_s=10.0, end_s=12.5)]
    assert judged(CLAIM_OFF + RUN, ASKED) == []


def test_a_pulse_at_the_claim_is_seen_however_short():
    pulse = [Change(1.0, 5, "low"), Change(1.0011, 5, "high")]
    assert "nobody asked" in judged(pulse)[0]
    assert "no run is so short" in judged(pulse, Window(gpios=GPIOS, start_s=0.0, end_s=9.0))[0]


def test_a_line_that_nobody_asked_for_is_found():
    assert "GPIO 6" in judged([Change(10.0, 6, "low"), Change(11.0, 6, "high")], ASKED)[0]


def test_a_relay_that_stays_on_past_its_window_is_found():
    assert len(judged([Change(19.0, 5, "low"), Change(20.1, 5, "high")], ASKED)) == 1


def test_a_relay_that_never_goes_off_is_found():
    found = board_pins.pulses([Change(10.0, 5, "low")], GPIOS, "low")
    assert found == [Pulse(gpio=5, start_s=10.0, end_s=math.inf)]
    assert len(board_pins.unasked(found, [ASKED])) == 1


def test_a_pin_that_becomes_an_input_is_off():
    found = board_pins.pulses([Change(10.0, 5, "low"), Change(11.0, 5, "input")], GPIOS, "low")
    assert found == [Pulse(gpio=5, start_s=10.0, end_s=11.0)]


def test_levels_are_read_by_the_relay_board():
    assert board_pins.pulses(CLAIM_OFF, GPIOS, "low") == []
    assert len(board_pins.pulses(CLAIM_OFF, GPIOS, "high")) == 2


def test_time_to_off_counts_from_the_mark_and_takes_the_slowest_relay():
    found = [Pulse(gpio=5, start_s=1.0, end_s=4.0), Pulse(gpio=6, start_s=2.0, end_s=4.25)]
    assert board_pins.off_after_s(found, 3.5) == pytest.approx(0.75)
    assert board_pins.off_after_s(found, 5.0) is None


def test_the_mark_is_the_last_rise():
    changes = [Change(1.0, 16, "low"), Change(2.0, 16, "high"), Change(3.0, 16, "low"), Change(4.0, 16, "high")]
    assert board_pins.rise_s(changes, 16) == 4.0
    assert board_pins.rise_s(changes, 17) is None
