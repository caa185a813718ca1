"""Pins of the real header through lgpio, claimed and released without a pulse.

gpiozero's own lgpio pins claim an output as an input first, then as an output that carries lgpio's default, low, and
set the level last: on an active-low relay board that is a pulse. Here one chip call claims it together with its level.

A released output was driven to its safe level and is then freed, nothing else. What the line does afterwards is the
kernel's choice: common vendor kernels keep it driven at that level, mainline kernels make it an input, and then a
pull resistor on the relay board has to hold it off.
"""

import contextlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import NamedTuple

from controller.errors import BoardError
from controller.hal.board import Pull
from controller.hal.claimed_pins import ClaimedPin, HeaderFactory
from controller.model.profile import Profile

DEVICES = Path("/dev")

_IS_USED, _IS_OUTPUT = 1 << 0, 1 << 1  # the kernel's line flags, as lgpio passes them on


def import_lgpio() -> ModuleType:
    """Import lgpio where its pipe does no harm.

    On import lgpio makes a pipe `.lgd-nfy*` in the working folder and opens it by that relative name; a service whose
    working folder is read-only would die of it. Both ends are open after the import, so the pipe's name can go.
    """
    with tempfile.TemporaryDirectory(prefix="lgpio-") as folder, contextlib.chdir(folder):
        # With this variable lgpio would change the working folder of the whole process, and not back.
        kept = os.environ.pop("LG_WD", None)
        try:
            import lgpio as module
        finally:
            if kept is not None:
                os.environ["LG_WD"] = kept
        return module  # type: ignore[no-any-return]


lgpio = import_lgpio()


class ChipLine(NamedTuple):
    """One GPIO as the kernel describes it."""

    gpio: int
    name: str
    holder: str  # "" when free
    is_output: bool


class Chip(NamedTuple):
    """A GPIO chip: /dev/gpiochip<number>, its label, its number of lines."""

    number: int
    label: str
    lines: int


def find_chip(label: str) -> Chip:
    """The GPIO chip with this label, whatever its number; BoardError naming those that are there."""
    there = []
    for number in sorted(int(path.name.removeprefix("gpiochip")) for path in DEVICES.glob("gpiochip[0-9]*")):
        try:
            handle = lgpio.gpiochip_open(number)
        except lgpio.error as exc:
            there.append(f"gpiochip{number} (cannot be opened: {exc.value}; is this user in the group gpio?)")
            continue
        try:
            _, lines, _, found = lgpio.gpio_get_chip_info(handle)
        finally:
            lgpio.gpiochip_close(handle)
        if found == label:
            return Chip(number, label, lines)
        there.append(f"gpiochip{number} {found!r}")
    raise BoardError(f"this computer has no GPIO chip labelled {label!r}; it has: {', '.join(there) or 'none'}")


def read_chip(label: str) -> list[ChipLine]:
    """Every line of the chip with this label: its name, who holds it, its direction. Claims nothing."""
    handle = _open(find_chip(label))
    try:
        _, count, _, _ = lgpio.gpio_get_chip_info(handle)
        return [_line(handle, gpio) for gpio in range(count)]
    finally:
        lgpio.gpiochip_close(handle)


def _line(handle: int, gpio: int) -> ChipLine:
    _, _, flags, name, user = lgpio.gpio_get_line_info(handle, gpio)
    holder = user or ("a nameless user" if flags & _IS_USED else "")
    return ChipLine(gpio, name, holder, bool(flags & _IS_OUTPUT))


def _open(chip: Chip) -> int:
    try:
        return int(lgpio.gpiochip_open(chip.number))
    except lgpio.error as exc:
        raise BoardError(f"GPIO chip {chip.label!r}, {DEVICES}/gpiochip{chip.number}: {exc.value}") from exc


class ChipFactory(HeaderFactory):
    """Pins of the chip with this label, whatever its number."""

    def __init__(self, label: str) -> None:
        super().__init__()
        self.pin_class = ChipPin
        self.handle = _open(find_chip(label))
        self._is_open = True

    def close(self) -> None:
        """Release all pins, then the chip. May be repeated."""
        try:
            super().close()
        finally:
            if self._is_open:
                self._is_open = False
                lgpio.gpiochip_close(self.handle)


class ChipPin(ClaimedPin):
    """One line of the chip; BoardError says what the kernel says, and who holds a busy line."""

    def claim_output(self, level: bool) -> None:
        """Make the line an output that carries this level from the first instant: one chip call."""
        self._try(lgpio.gpio_claim_output, int(level), 0)

    def claim_input(self, pull: Pull) -> None:
        """Make the line an input with this pull: one chip call."""
        flags = {"up": lgpio.SET_PULL_UP, "down": lgpio.SET_PULL_DOWN, "floating": lgpio.SET_PULL_NONE}
        self._try(lgpio.gpio_claim_input, flags[pull])

    def write(self, level: bool) -> None:
        """Drive the line."""
        self._try(lgpio.gpio_write, int(level))

    def read(self) -> bool:
        """The line's level."""
        return bool(self._try(lgpio.gpio_read))

    def free(self) -> None:
        """Hand the line back to the kernel as it stands."""
        self._try(lgpio.gpio_free)

    def _try(self, call: Callable[..., int], *arguments: int) -> int:
        handle = self.factory.handle
        try:
            return call(handle, self.gpio, *arguments)
        except lgpio.error as exc:
            holder = _line(handle, self.gpio).holder
            raise BoardError(f"{exc.value}" + (f", held by {holder!r}" if holder else "")) from exc


def open_factory(profile: Profile, bench_socket: None) -> ChipFactory:
    """The factory for a real machine's pins; BoardError when the chip cannot be opened."""
    return ChipFactory(profile.board.chip)
