"""The 40-pin header: what every GPIO is set to, who holds it, and what level it carries."""

from typing import Literal

from controller.config.boot_lines import read_boot_line
from controller.errors import BoardError, OutOfRange
from controller.hal.board import Pull

GPIOS = range(28)
# Pulls after reset: 0-8 up, 9-27 down. BCM2835 ARM Peripherals, table 6-31.
RESET_PULL: dict[int, Pull] = {gpio: "up" if gpio <= 8 else "down" for gpio in GPIOS}
BOOT_PULL: dict[str, Pull] = {"high": "up", "low": "down", "none": "floating"}  # words of boot lines


class Pin:
    """One GPIO."""

    def __init__(self, pull: Pull) -> None:
        self.mode: Literal["input", "output"] = "input"
        self.pull: Pull = pull
        self.driven = False
        self.holder: str | None = None

    def level(self, *, grounded: bool = False) -> bool:
        """The level it carries; `grounded`: a closed contact ties it to ground. A floating input reads low."""
        if self.mode == "output":
            return self.driven
        return self.pull == "up" and not grounded


class Header:
    """All GPIOs, as they stand when the bench is switched on: inputs, except what the boot configuration sets."""

    def __init__(self, boot_lines: tuple[str, ...]) -> None:
        self.pins = {gpio: Pin(RESET_PULL[gpio]) for gpio in GPIOS}
        for line in boot_lines:
            self._boot(line)

    def pin(self, gpio: int) -> Pin:
        """The pin with this BCM number; OutOfRange when the header has none."""
        if gpio not in self.pins:
            raise OutOfRange("gpio", gpio, GPIOS[0], GPIOS[-1], "")
        return self.pins[gpio]

    def claim(self, gpio: int, holder: str) -> Pin:
        """Give the pin to holder; BoardError while another holds it."""
        pin = self.pin(gpio)
        if pin.holder not in (None, holder):
            raise BoardError(f"GPIO {gpio} is held by {pin.holder}")
        pin.holder = holder
        return pin

    def held(self, gpio: int, holder: str) -> Pin:
        """The pin, which holder must have claimed; BoardError otherwise."""
        pin = self.pin(gpio)
        if pin.holder != holder:
            raise BoardError(f"GPIO {gpio} is not claimed by {holder}")
        return pin

    def held_by(self, holder: str) -> list[int]:
        """All that this holder has claimed."""
        return [gpio for gpio, pin in self.pins.items() if pin.holder == holder]

    def _boot(self, line: str) -> None:
        """Obey a line of the boot configuration, as if it took effect at once."""
        setting = read_boot_line(line)
        for pin in map(self.pin, setting.gpios):
            if setting.function is not None:
                pin.mode = "output" if setting.function == "op" else "input"
            if setting.drive is not None:
                pin.driven = setting.drive == "high"
            if setting.pull is not None:
                pin.pull = BOOT_PULL[setting.pull]
