"""The exact chip calls of a real board, at claim, switch and close; the chip by its label; who holds a busy line."""

from inspect import signature
from pathlib import Path

import gpiod
import pytest
from gpiod.line import Bias, Value

from controller.config import load_profile
from controller.errors import BoardError
from controller.hal import gpiod_pins, table
from controller.hal.chip_check import compare
from controller.hal.gpio_board import GpioBoard
from controller.hal.gpiod_pins import ChipFactory, find_chip, read_chip
from controller.model.profile import Profile
from tests.hal.fake_chip import FakeChip, OpenChip, Request

PROFILES = Path(__file__).resolve().parents[2] / "hardware_profiles"
LABEL = "pinctrl-bcm2835"


@pytest.fixture
def chip(tmp_path, monkeypatch) -> FakeChip:
    return FakeChip(tmp_path, monkeypatch)


def profile(name: str) -> Profile:
    return load_profile(PROFILES / f"{name}.yaml")[0]


@pytest.mark.parametrize(
    ("name", "off", "on"),
    [("six_line", Value.ACTIVE, Value.INACTIVE), ("four_line_active_high", Value.INACTIVE, Value.ACTIVE)],
)
def test_calls_from_claim_to_close(chip, name, off, on):
    one = profile(name)
    inputs = [contact.gpio for contact in (one.inputs.stop, one.inputs.glass, one.inputs.drip_tray) if contact]
    board = GpioBoard(one, ChipFactory(LABEL))
    claims = [("output", line.gpio, off) for line in one.lines]
    pulls = [("input", gpio, Bias.PULL_UP) for gpio in inputs]
    assert chip.calls == claims + pulls

    chip.calls.clear()
    first = one.lines[0]
    board.switch(first.line, on=True)
    board.switch(first.line, on=False)
    board.switch(first.line, on=True)
    assert chip.calls == [("write", first.gpio, level) for level in (on, off, on)]

    chip.calls.clear()
    board.close()
    all_off = [("write", line.gpio, off) for line in one.lines]
    releases = [call for line in one.lines for call in (("write", line.gpio, off), ("release", line.gpio))]
    assert chip.calls == all_off + releases + [("release", gpio) for gpio in inputs]
    assert chip.open == []


def test_a_restart_after_a_crash_claims_with_the_safe_level_again(chip):
    one = profile("six_line")
    crashed = GpioBoard(one, ChipFactory(LABEL))
    crashed.switch(1, on=True)
    chip.calls.clear()
    chip.let_go_of_all()
    board = GpioBoard(one, ChipFactory(LABEL))
    assert chip.calls[0] == ("output", one.line(1).gpio, Value.ACTIVE)
    board.close()


def test_the_chip_is_found_by_label_and_not_by_number(chip):
    assert find_chip(LABEL).name == "gpiochip4"
    board = GpioBoard(profile("six_line"), ChipFactory(LABEL))
    assert chip.open == ["gpiochip4"]
    board.close()


def test_a_label_that_is_not_there_is_refused_with_those_that_are(chip):
    with pytest.raises(BoardError, match=r"labelled 'pinctrl-rp1'; it has: gpiochip0 'firmware-gpio', gpiochip4 'pin"):
        ChipFactory("pinctrl-rp1")
    assert chip.open == []


def test_a_computer_without_a_gpio_chip_is_reported_as_such(tmp_path, monkeypatch):
    monkeypatch.setattr(gpiod_pins, "DEVICES", tmp_path)
    with pytest.raises(BoardError, match=r"no GPIO chip labelled 'pinctrl-bcm2835'; it has: none"):
        table.open_board(profile("six_line"))


def test_chips_that_may_not_be_opened_are_distinguished_from_missing_ones(chip):
    chip.locked = {"gpiochip0"}
    assert find_chip(LABEL).name == "gpiochip4"
    chip.locked = {"gpiochip0", "gpiochip4"}
    with pytest.raises(BoardError, match=r"gpiochip4 \(cannot be opened: Permission denied; .*group gpio\?\)"):
        find_chip(LABEL)


def test_a_busy_line_is_named_with_its_holder_and_the_rest_let_go(chip):
    one = profile("six_line")
    held = one.lines[3]
    chip.held = {held.gpio: "lamp-daemon"}
    with pytest.raises(
        BoardError, match=r"^line 4, GPIO 6: cannot be claimed: Device or resource busy, held by 'lamp-daemon'$"
    ):
        GpioBoard(one, ChipFactory(LABEL))
    claimed = [call[1] for call in chip.calls if call[0] == "output"]
    assert claimed == [line.gpio for line in one.lines[:3]] == [call[1] for call in chip.calls if call[0] == "release"]
    assert all(levels == [True] * len(levels) for levels in chip.driven.values())
    assert chip.open == []


def test_a_write_that_fails_says_what_the_kernel_says(chip):
    one = profile("six_line")
    board = GpioBoard(one, ChipFactory(LABEL))
    chip.broken = {one.line(2).gpio}
    with pytest.raises(BoardError, match=r"line 2, GPIO 4: cannot be switched: Input/output error$"):
        board.switch(2, on=True)
    chip.broken = set()
    board.close()


def test_the_chips_lines_can_be_listed_without_claiming_any(chip):
    chip.held = {6: "lamp-daemon"}
    lines = read_chip(LABEL)
    assert len(lines) == 54
    assert (lines[6].name, lines[6].holder, lines[7].holder) == ("GPIO6", "lamp-daemon", "")
    assert chip.calls == [] == chip.open


def test_a_profile_that_fits_its_board_has_no_misfits(chip):
    assert compare(profile("six_line")) == []
    board = GpioBoard(profile("six_line"), ChipFactory(LABEL))
    assert set(chip.held.values()) == {"tundish-guard"}
    assert compare(profile("six_line")) == []
    board.close()


def test_everything_that_does_not_fit_the_board_is_reported_at_once(chip):
    chip.held = {5: "spi0", 17: "lamp-daemon"}
    chip.names = {8: "GPIO96"}
    chip.count = 20
    assert compare(profile("six_line")) == [
        "line 3, GPIO 5: 'spi0' holds it. Stop that program, or free the line in the boot configuration.",
        "line 6, GPIO 8: the board calls this line GPIO96: its numbers are not those of the header.",
        "stop contact, GPIO 17: 'lamp-daemon' holds it. Stop that program, or free the line in the boot configuration.",
        "glass contact, GPIO 27: the chip 'pinctrl-bcm2835' has no such line.",
        "drip tray contact, GPIO 22: the chip 'pinctrl-bcm2835' has no such line.",
    ]
    assert chip.calls == [] == chip.open


def test_two_guards_cannot_hold_the_same_lines(chip):
    board = GpioBoard(profile("six_line"), ChipFactory(LABEL))
    with pytest.raises(BoardError, match=r"line 1, GPIO 2: cannot be claimed: .* busy, held by 'tundish-guard'$"):
        GpioBoard(profile("six_line"), ChipFactory(LABEL))
    board.close()


def test_another_pull_reconfigures_the_line_that_is_held(chip):
    factory = ChipFactory(LABEL)
    pin = factory.pin(17)
    pin.pull = "up"
    pin.pull = "down"
    pin.output_with_state(True)
    assert chip.calls == [("input", 17, Bias.PULL_UP), ("input", 17, Bias.PULL_DOWN), ("output", 17, Value.ACTIVE)]
    factory.close()
    factory.close()
    with pytest.raises(BoardError, match="not claimed"):
        pin.read()
    assert chip.open == []


@pytest.mark.parametrize(("fake", "real"), [(OpenChip, gpiod.Chip), (Request, gpiod.LineRequest)])
def test_the_fake_chip_is_called_as_the_real_one(fake, real):
    methods = {name: method for name, method in vars(fake).items() if callable(method) and name != "__init__"}
    for name, method in methods.items():
        assert [*signature(method).parameters] == [*signature(getattr(real, name)).parameters], name


@pytest.mark.parametrize(
    ("name", "socket", "says"),
    [
        ("bench_six_line", None, "is a simulated machine: say where its bench listens"),
        ("six_line", Path("/run/bench.sock"), "is a real machine: it has no bench to speak to"),
    ],
)
def test_a_board_is_never_guessed(name, socket, says):
    with pytest.raises(BoardError, match=says):
        table.open_board(profile(name), bench_socket=socket)


def test_a_missing_driver_is_an_error_and_nothing_is_tried_instead(monkeypatch):
    monkeypatch.setitem(table.DRIVERS, "gpio", "controller.hal.no_such_driver")
    for use in (table.open_board, compare):
        with pytest.raises(BoardError, match=r"the pin driver of backend 'gpio' is not .*\. Install tundish\[gpio\]\."):
            use(profile("six_line"))
