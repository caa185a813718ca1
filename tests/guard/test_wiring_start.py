"""A start button: every press is told once, and moves nothing."""

import pytest

from controller.model.messages import ButtonPressed
from controller.model.wiring import Contact
from tests.guard.guard_parts import Rig, profile

BUTTON = Contact(gpio=21, contact="normally_open", debounce_s=0.03)


@pytest.fixture
def rig():
    made = Rig(profile(start=BUTTON))
    made.board.contacts["start"] = False
    return made.ready()


def press(rig: Rig, seconds: float) -> list[str]:
    """What is told while it is pressed for so long, and for a second after it."""
    rig.board.contacts["start"] = True
    told = rig.run(seconds)
    rig.board.contacts["start"] = False
    return [one.button for one in (*told, *rig.run(1)) if isinstance(one, ButtonPressed)]


def test_every_press_is_reported_once_however_long_it_lasts(rig):
    assert [press(rig, seconds) for seconds in (0.14, 0.5, 20.0)] == [["start"]] * 3
    assert rig.board.trace == []


def test_a_press_shorter_than_its_debounce_time_is_none(rig):
    assert press(rig, 0.02) == []


def test_a_button_stuck_at_the_guards_start_is_no_press():
    rig = Rig(profile(start=BUTTON))
    rig.board.contacts["start"] = True
    rig.ready()
    rig.run(5)
    assert rig.of(ButtonPressed) == []
    rig.board.contacts["start"] = False
    rig.run(1)
    assert press(rig, 0.2) == ["start"]
