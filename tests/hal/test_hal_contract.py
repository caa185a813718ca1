"""One contract for the board over all three pin factories: gpiozero's mock, the bench's, and gpiod's on a fake chip."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from controller.bench.link import DirectLink
from controller.bench.pins import BenchFactory
from controller.bench.plant import Plant
from controller.clock import VirtualClock
from controller.config import load_profile
from controller.errors import BoardError
from controller.hal.gpio_board import GpioBoard
from controller.hal.gpiod_pins import ChipFactory
from controller.model.book import Book
from controller.model.profile import Profile
from controller.model.wiring import MainRelay
from tests.hal.fake_chip import FakeChip

PROFILES = Path(__file__).resolve().parents[2] / "hardware_profiles"
MACHINES = {"active-low": "eight_line", "active-high": "four_line_active_high"}
NO_BOOK = Book(title="none", liquids=(), glasses=(), recipes=(), lines=())


class Mocked:
    """Over gpiozero's mock pins, which set direction before level: levels before the first switch prove nothing."""

    shows_claims = False

    def __init__(self, profile: Profile, tmp_path: Path, monkeypatch) -> None:
        self.factory = MockFactory()

    def close_contact(self, gpio: int) -> None:
        self.factory.pin(gpio).drive_low()

    def driven(self, gpio: int) -> list[bool]:
        return [bool(one.state) for one in self.factory.pin(gpio).states]


class Benched:
    shows_claims = True

    def __init__(self, profile: Profile, tmp_path: Path, monkeypatch) -> None:
        self.plant = Plant(profile, NO_BOOK, clock=VirtualClock())
        self.factory = BenchFactory(DirectLink(self.plant, "board"))
        self.stop_gpio = profile.inputs.stop.gpio

    def close_contact(self, gpio: int) -> None:
        if gpio == self.stop_gpio:  # it is closed while nobody presses the button
            self.plant.release_stop()
        else:
            self.plant.place_glass(brim_ml=300.0)

    def driven(self, gpio: int) -> list[bool]:
        return [one.level for one in self.plant.trace.levels(gpio) if one.mode == "output"]


class Chipped:
    shows_claims = True

    def __init__(self, profile: Profile, tmp_path: Path, monkeypatch) -> None:
        self.chip = FakeChip(tmp_path, monkeypatch)
        self.factory = ChipFactory("pinctrl-bcm2835")

    def close_contact(self, gpio: int) -> None:
        self.chip.closed_contacts.add(gpio)

    def driven(self, gpio: int) -> list[bool]:
        return self.chip.driven.get(gpio, [])


@pytest.fixture(params=sorted(MACHINES))
def profile(request) -> Profile:
    return load_profile(PROFILES / f"{MACHINES[request.param]}.yaml")[0]


@pytest.fixture(params=[Mocked, Benched, Chipped])
def rig(request, profile, tmp_path, monkeypatch):
    return request.param(profile, tmp_path, monkeypatch)


@pytest.fixture
def board(profile, rig):
    one = GpioBoard(profile, rig.factory)
    yield one
    one.close()


def on_level(profile: Profile) -> bool:
    return profile.relay_board.active_level == "high"


@contextmanager
def broken_pin(rig, gpio: int) -> Iterator[None]:
    """Meanwhile this pin cannot be driven or read."""

    def fail(*_: object) -> None:
        raise OSError("no such device")

    pin = rig.factory.pin(gpio)
    with pytest.MonkeyPatch.context() as patch:
        for name in ("_set_state", "_get_state", "write"):
            patch.setattr(pin, name, fail, raising=False)
        yield


def test_every_channel_is_off_after_opening(profile, rig, board):
    for line in profile.lines:
        assert rig.driven(line.gpio)[-1] != on_level(profile)


def test_opening_never_drives_a_channel_on(profile, rig, board):
    if not rig.shows_claims:
        pytest.skip("gpiozero's mock pins cannot show a claim")
    for line in profile.lines:
        assert rig.driven(line.gpio) == [not on_level(profile)]


def test_switching_drives_this_line_and_no_other(profile, rig, board):
    first, *others = profile.lines
    before = {line.line: len(rig.driven(line.gpio)) for line in others}
    board.switch(first.line, on=True)
    assert rig.driven(first.gpio)[-1] == on_level(profile)
    board.switch(first.line, on=False)
    assert rig.driven(first.gpio)[-1] != on_level(profile)
    assert {line.line: len(rig.driven(line.gpio)) for line in others} == before


def test_all_off_may_be_repeated(profile, rig, board):
    for line in profile.lines:
        board.switch(line.line, on=True)
    assert board.all_off() == [] == board.all_off()
    assert all(rig.driven(line.gpio)[-1] != on_level(profile) for line in profile.lines)


def test_all_off_tries_every_channel_and_names_those_that_failed(profile, rig, board):
    for line in profile.lines:
        board.switch(line.line, on=True)
    broken = profile.lines[1]
    with broken_pin(rig, broken.gpio):
        (failure,) = board.all_off()
    assert str(failure) == f"line {broken.line}, GPIO {broken.gpio}: cannot be switched: no such device"
    assert all(rig.driven(line.gpio)[-1] != on_level(profile) for line in profile.lines if line is not broken)


def main_relay_of(profile: Profile) -> MainRelay:
    if profile.main_relay is None:
        pytest.skip("this machine has no main relay")
    return profile.main_relay


def test_the_main_relay_is_claimed_open_and_follows_the_feed_alone(profile, rig, board):
    main = main_relay_of(profile)
    closed = main.active_level == "high"
    if rig.shows_claims:
        assert rig.driven(main.gpio) == [not closed]
    board.switch(profile.lines[0].line, on=True)
    assert rig.driven(main.gpio)[-1] != closed
    board.feed(on=True)
    assert rig.driven(main.gpio)[-1] == closed
    board.feed(on=False)
    assert rig.driven(main.gpio)[-1] != closed
    assert rig.driven(profile.lines[0].gpio)[-1] == on_level(profile)


def test_all_off_opens_the_main_relay_whichever_other_pin_fails(profile, rig, board):
    main = main_relay_of(profile)
    board.feed(on=True)
    broken = profile.lines[0]
    board.switch(broken.line, on=True)
    with broken_pin(rig, broken.gpio):
        assert [str(one).split(",")[0] for one in board.all_off()] == [f"line {broken.line}"]
    assert rig.driven(main.gpio)[-1] != (main.active_level == "high")


def test_a_main_relay_that_fails_is_named_and_keeps_no_channel_on(profile, rig, board):
    main = main_relay_of(profile)
    board.feed(on=True)
    board.switch(profile.lines[0].line, on=True)
    with broken_pin(rig, main.gpio):
        with pytest.raises(BoardError, match=rf"main relay, GPIO {main.gpio}: cannot be switched: no such device"):
            board.feed(on=False)
        assert [str(one).split(",")[0] for one in board.all_off()] == ["main relay"]
    assert rig.driven(profile.lines[0].gpio)[-1] != on_level(profile)


def test_closing_the_board_opens_the_main_relay(profile, rig):
    main = main_relay_of(profile)
    if not rig.shows_claims:
        pytest.skip("gpiozero's mock pins forget what a closed one carried")
    board = GpioBoard(profile, rig.factory)
    board.feed(on=True)
    board.close()
    board.feed(on=True)  # closed: there is no main relay any more
    is_high = main.active_level == "high"
    assert rig.driven(main.gpio) in ([not is_high, is_high, not is_high], [not is_high, is_high, *[not is_high] * 2])


def test_without_a_main_relay_there_is_nothing_to_feed(profile, board):
    if profile.main_relay is not None:
        pytest.skip("this machine has one")
    board.feed(on=True)
    assert board.all_off() == []


def test_a_closed_contact_reads_low_and_true(profile, rig, board):
    glass = profile.inputs.glass
    assert glass is not None
    rig.close_contact(profile.inputs.stop.gpio)
    assert {name: board.read()[name] for name in ("stop", "glass")} == {"stop": True, "glass": False}
    rig.close_contact(glass.gpio)
    assert board.read()["glass"] is True


def test_every_contact_of_the_profile_is_read_under_its_name(profile, board):
    names = {"stop", "glass"}
    if len(profile.lines) == 8:
        names |= {"drip tray", "level 6", "current", "funnel full", "start"}
    assert board.read().keys() == names


def test_an_unreadable_contact_is_an_error_and_never_a_value(profile, rig, board):
    fails = pytest.raises(BoardError, match=r"stop contact, GPIO\d+: cannot be read: no such device")
    with broken_pin(rig, profile.inputs.stop.gpio), fails:
        board.read()


def test_a_line_that_the_board_does_not_have_is_refused(board):
    with pytest.raises(BoardError, match="line 64 has no pin"):
        board.switch(64, on=True)


def test_close_leaves_all_off_and_may_be_repeated(profile, rig, board):
    before = {line.gpio: len(rig.driven(line.gpio)) for line in profile.lines}
    board.switch(profile.lines[0].line, on=True)
    board.close()
    board.close()
    if rig.shows_claims:
        after = {line.gpio: rig.driven(line.gpio)[before[line.gpio] :] for line in profile.lines}
        assert all(on_level(profile) != levels[-1] for levels in after.values() if levels)
        assert [level == on_level(profile) for level in after[profile.lines[0].gpio]].count(True) == 1
    assert board.all_off() == []
    with pytest.raises(BoardError, match="closed"):
        board.read()
    with pytest.raises(BoardError, match="closed"):
        board.switch(profile.lines[0].line, on=True)


def test_close_goes_on_past_a_pin_that_fails(profile, rig, board):
    for line in profile.lines:
        board.switch(line.line, on=True)
    broken = profile.lines[0]
    fails = pytest.raises(BoardError, match=f"GPIO {broken.gpio}: cannot be switched: no such device")
    with broken_pin(rig, broken.gpio), fails:
        board.close()
    for line in profile.lines[1:]:
        assert not rig.shows_claims or rig.driven(line.gpio)[-1] != on_level(profile)
    board.close()


def test_a_pin_that_cannot_be_claimed_is_named_and_all_others_are_let_go(profile, rig, monkeypatch):
    last = profile.lines[-1]

    def refuse(*_: object) -> None:
        raise OSError("no such line")

    monkeypatch.setattr(rig.factory.pin(last.gpio), "output_with_state", refuse)
    with pytest.raises(BoardError, match=f"line {last.line}, GPIO {last.gpio}: cannot be claimed: no such line"):
        GpioBoard(profile, rig.factory)
    if rig.shows_claims:
        assert all(level != on_level(profile) for line in profile.lines for level in rig.driven(line.gpio))
    if isinstance(rig, Benched):
        BenchFactory(DirectLink(rig.plant, "the next")).pin(profile.lines[0].gpio).output_with_state(True)
    if isinstance(rig, Chipped):
        claimed = [call[1] for call in rig.chip.calls if call[0] in ("output", "input")]
        assert claimed == [call[1] for call in rig.chip.calls if call[0] == "release"]
        assert rig.chip.open == []
