"""A stand-in for gpiod's chips: records every request and write, and the level that each leaves on the line."""

import errno
import os
from pathlib import Path

from gpiod import LineSettings
from gpiod.chip_info import ChipInfo
from gpiod.line import Bias, Clock, Direction, Drive, Edge, Value
from gpiod.line_info import LineInfo


def kernel_error(number: int) -> OSError:
    return OSError(number, os.strerror(number))


class FakeChip:
    """The kernel's side of one chip, gpiochip4, beside a chip that is not the header's."""

    LABELS = {"gpiochip0": "firmware-gpio", "gpiochip4": "pinctrl-bcm2835"}  # noqa: RUF012

    def __init__(self, folder: Path, monkeypatch) -> None:
        for name in self.LABELS:
            (folder / name).touch()
        self.calls: list[tuple[object, ...]] = []  # requests, writes, releases, as (what, gpio, ...)
        self.driven: dict[int, list[bool]] = {}  # gpio -> levels that were driven, in order
        self.pulls: dict[int, Bias] = {}
        self.closed_contacts: set[int] = set()
        self.held: dict[int, str] = {}  # gpio -> consumer, by whichever program
        self.broken: set[int] = set()
        self.locked: set[str] = set()  # chips that this user may not open
        self.open: list[str] = []
        self.names: dict[int, str] = {}  # where they are not GPIO<number>
        self.count = 54
        monkeypatch.setattr("gpiod.Chip", lambda path: OpenChip(self, Path(path).name))
        monkeypatch.setattr("controller.hal.gpiod_pins.DEVICES", folder)

    def let_go_of_all(self) -> None:
        """What the kernel does with the lines of a process that is gone."""
        self.held.clear()

    def configure(self, gpio: int, settings: LineSettings) -> None:
        if settings.direction is Direction.OUTPUT:
            self.calls.append(("output", gpio, settings.output_value))
            self.driven.setdefault(gpio, []).append(bool(settings.output_value))
        else:
            self.calls.append(("input", gpio, settings.bias))
            self.pulls[gpio] = settings.bias

    def check(self, gpio: int) -> None:
        if gpio in self.broken:
            raise kernel_error(errno.EIO)


class OpenChip:
    """What `gpiod.Chip` gives, as far as it is used."""

    def __init__(self, chip: FakeChip, name: str) -> None:
        if name in chip.locked:
            raise kernel_error(errno.EACCES)
        self._chip, self._name, self._is_open = chip, name, True
        chip.open.append(name)

    def __bool__(self) -> bool:
        return self._is_open

    def __enter__(self):
        return self

    def __exit__(self, exc_type, exc_value, traceback):
        self.close()

    def close(self):
        assert self._is_open
        self._is_open = False
        self._chip.open.remove(self._name)

    def get_info(self):
        return ChipInfo(self._name, self._chip.LABELS[self._name], self._chip.count)

    def get_line_info(self, line):
        consumer = self._chip.held.get(line, "")
        direction = Direction.OUTPUT if self._chip.driven.get(line) else Direction.INPUT
        name, way = self._chip.names.get(line, f"GPIO{line}"), direction.value
        bias, drive, edge, clock = (one.value for one in (Bias.AS_IS, Drive.PUSH_PULL, Edge.NONE, Clock.MONOTONIC))
        return LineInfo(line, name, bool(consumer), consumer, way, False, bias, drive, edge, clock, False, 0)

    def request_lines(self, config, consumer=None, event_buffer_size=None, output_values=None):
        assert self._is_open
        ((gpio, settings),) = config.items()
        if gpio in self._chip.held:
            raise kernel_error(errno.EBUSY)
        self._chip.held[gpio] = consumer
        self._chip.configure(gpio, settings)
        return Request(self._chip, gpio)


class Request:
    """What `gpiod.LineRequest` gives, as far as it is used, for one line."""

    def __init__(self, chip: FakeChip, gpio: int) -> None:
        self._chip, self._gpio = chip, gpio

    def reconfigure_lines(self, config):
        ((gpio, settings),) = config.items()
        assert gpio == self._gpio
        self._chip.configure(gpio, settings)

    def set_value(self, line, value):
        assert line == self._gpio
        self._chip.check(line)
        self._chip.calls.append(("write", line, value))
        self._chip.driven[line].append(bool(value))

    def get_value(self, line):
        self._chip.check(line)
        is_high = line not in self._chip.closed_contacts and self._chip.pulls[line] is Bias.PULL_UP
        return Value(is_high)

    def release(self):
        self._chip.calls.append(("release", self._gpio))
        self._chip.held.pop(self._gpio, None)
