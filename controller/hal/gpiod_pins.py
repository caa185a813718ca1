"""Pins of the real header through the kernel's GPIO character device, claimed and released without a pulse.

gpiozero's own pins claim an output as an input first, then as an output at the driver's default, low, and set the level
last: on an active-low relay board that is a pulse. Here one request makes a line an output that carries its level.

A released output was driven to its safe level and is then freed, nothing else. What the line does afterwards is the
kernel's choice: common vendor kernels keep it driven at that level, mainline kernels make it an input, and then a
pull resistor on the relay board has to hold it off.
"""

import errno
from pathlib import Path

import gpiod
from gpiod.line import Bias, Direction, Value
from gpiozero.pins import PinInfo

from controller.errors import BoardError
from controller.hal.board import CONSUMER, ChipLine, Pull
from controller.hal.claimed_pins import ClaimedPin, HeaderFactory
from controller.model.profile import Profile

DEVICES = Path("/dev")
BIAS = {"up": Bias.PULL_UP, "down": Bias.PULL_DOWN, "floating": Bias.DISABLED}


def find_chip(label: str) -> Path:
    """The device of the GPIO chip with this label, whatever its number; BoardError naming those that are there."""
    others = []
    for path in sorted(DEVICES.glob("gpiochip[0-9]*"), key=lambda path: int(path.name.removeprefix("gpiochip"))):
        try:
            with gpiod.Chip(str(path)) as chip:
                found = chip.get_info().label
        except OSError as exc:
            others.append(f"{path.name} (cannot be opened: {exc.strerror}; is this user in the group gpio?)")
            continue
        if found == label:
            return path
        others.append(f"{path.name} {found!r}")
    raise BoardError(f"this computer has no GPIO chip labelled {label!r}; it has: {', '.join(others) or 'none'}")


def read_chip(label: str) -> list[ChipLine]:
    """Every line of the chip with this label: its name and who holds it. Claims nothing."""
    with _open(label) as chip:
        return [_line(chip, gpio) for gpio in range(chip.get_info().num_lines)]


def _line(chip: gpiod.Chip, gpio: int) -> ChipLine:
    info = chip.get_line_info(gpio)
    return ChipLine(gpio, info.name, info.consumer or ("a nameless user" if info.used else ""))


def _open(label: str) -> gpiod.Chip:
    path = find_chip(label)
    try:
        return gpiod.Chip(str(path))
    except OSError as exc:
        raise BoardError(f"GPIO chip {label!r}, {path}: {exc.strerror}") from exc


class ChipFactory(HeaderFactory):
    """Pins of the chip with this label, whatever its number."""

    def __init__(self, label: str) -> None:
        super().__init__()
        self.pin_class = ChipPin
        self.chip = _open(label)

    def close(self) -> None:
        """Release all pins, then the chip. May be repeated."""
        try:
            super().close()
        finally:
            if self.chip:  # false once closed
                self.chip.close()


class ChipPin(ClaimedPin):
    """One line of the chip; BoardError says what the kernel says, and who holds a busy line."""

    def __init__(self, factory: ChipFactory, info: PinInfo) -> None:
        super().__init__(factory, info)
        self._chip = factory.chip
        self._request: gpiod.LineRequest | None = None

    def claim_output(self, level: bool) -> None:
        """Make the line an output that carries this level from the first instant: one request."""
        self._claim(gpiod.LineSettings(direction=Direction.OUTPUT, output_value=Value(level)))

    def claim_input(self, pull: Pull) -> None:
        """Make the line an input with this pull: one request."""
        self._claim(gpiod.LineSettings(direction=Direction.INPUT, bias=BIAS[pull]))

    def write(self, level: bool) -> None:
        """Drive the line."""
        request = self._claimed()
        try:
            request.set_value(self.gpio, Value(level))
        except OSError as exc:
            raise self._failure(exc) from exc

    def read(self) -> bool:
        """The line's level."""
        request = self._claimed()
        try:
            return bool(request.get_value(self.gpio))
        except OSError as exc:
            raise self._failure(exc) from exc

    def free(self) -> None:
        """Hand the line back to the kernel as it stands."""
        request, self._request = self._request, None
        if request is not None:
            request.release()

    def _claim(self, settings: gpiod.LineSettings) -> None:
        try:
            if self._request is None:
                self._request = self._chip.request_lines({self.gpio: settings}, consumer=CONSUMER)
            else:
                self._request.reconfigure_lines({self.gpio: settings})
        except OSError as exc:
            raise self._failure(exc) from exc

    def _claimed(self) -> gpiod.LineRequest:
        if self._request is None:
            raise BoardError("not claimed")
        return self._request

    def _failure(self, exc: OSError) -> BoardError:
        is_busy = exc.errno == errno.EBUSY
        return BoardError(f"{exc.strerror}" + f", held by {_line(self._chip, self.gpio).holder!r}" * is_busy)


def open_factory(profile: Profile, bench_socket: None) -> ChipFactory:
    """The factory for a real machine's pins; BoardError when the chip cannot be opened."""
    return ChipFactory(profile.board.chip)
