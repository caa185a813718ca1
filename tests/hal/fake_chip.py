"""A stand-in for the lgpio module: records every chip call, and the level that each call leaves on the line."""

from pathlib import Path


class FakeChip:
    """One chip, gpiochip4, beside a chip that is not the header's."""

    SET_PULL_UP, SET_PULL_DOWN, SET_PULL_NONE = 32, 64, 128

    class error(Exception):  # noqa: N801  # lgpio's own name
        def __init__(self, value: str) -> None:
            super().__init__(value)
            self.value = value

    LABELS = {0: "firmware-gpio", 4: "pinctrl-bcm2835"}  # noqa: RUF012

    def __init__(self, folder: Path, monkeypatch) -> None:
        for number in self.LABELS:
            (folder / f"gpiochip{number}").touch()
        self.calls: list[tuple[object, ...]] = []  # claims, writes, frees, as (what, gpio, ...)
        self.driven: dict[int, list[bool]] = {}  # gpio -> levels that were driven, in order
        self.pulls: dict[int, int] = {}
        self.closed_contacts: set[int] = set()
        self.held: dict[int, str] = {}  # by other programs
        self.broken: set[int] = set()
        self.locked: set[int] = set()  # chips that this user may not open
        self.open: list[int] = []
        self.names: dict[int, str] = {}  # where they are not GPIO<number>
        self.count = 54
        monkeypatch.setattr("controller.hal.lgpio_pins.lgpio", self)
        monkeypatch.setattr("controller.hal.lgpio_pins.DEVICES", folder)

    def gpiochip_open(self, number: int) -> int:
        if number in self.locked:
            raise self.error("can not open gpiochip")
        self.open.append(number)
        return number

    def gpiochip_close(self, handle: int) -> None:
        self.open.remove(handle)

    def gpio_get_chip_info(self, handle: int) -> list[object]:
        return [0, self.count, f"gpiochip{handle}", self.LABELS[handle]]

    def gpio_get_line_info(self, handle: int, gpio: int) -> list[object]:
        user = self.held.get(gpio, "")
        is_output = bool(self.driven.get(gpio))
        return [0, gpio, (1 if user else 0) | (2 if is_output else 0), self.names.get(gpio, f"GPIO{gpio}"), user]

    def gpio_claim_output(self, handle: int, gpio: int, level: int = 0, flags: int = 0) -> int:
        self._line(handle, gpio)
        self.calls.append(("claim_output", gpio, level, flags))
        self.driven.setdefault(gpio, []).append(bool(level))
        return 0

    def gpio_claim_input(self, handle: int, gpio: int, flags: int = 0) -> int:
        self._line(handle, gpio)
        self.calls.append(("claim_input", gpio, flags))
        self.pulls[gpio] = flags
        return 0

    def gpio_write(self, handle: int, gpio: int, level: int) -> int:
        self._line(handle, gpio)
        self.calls.append(("write", gpio, level))
        self.driven[gpio].append(bool(level))
        return 0

    def gpio_read(self, handle: int, gpio: int) -> int:
        self._line(handle, gpio)
        return int(gpio not in self.closed_contacts and self.pulls[gpio] == self.SET_PULL_UP)

    def gpio_free(self, handle: int, gpio: int) -> int:
        self.calls.append(("free", gpio))
        return 0

    def _line(self, handle: int, gpio: int) -> None:
        if handle not in self.open:
            raise self.error("unknown handle")
        if gpio in self.held:
            raise self.error("GPIO busy")
        if gpio in self.broken:
            raise self.error("failed to write to the line")
