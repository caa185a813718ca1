"""gpiozero pins that are claimed in one step: an output with its level, an input with its pull.

gpiozero's own pins set a direction first and a level after it, which on an active-low relay board is a pulse. The pins
here claim nothing before level or pull is known. Released, an output first carries its safe level, the one that it was
claimed with; nothing re-directs it on the way. What is left to a driver are five primitives.
"""

import time
from typing import get_args

from gpiozero.exc import PinFixedPull, PinInvalidFunction, PinInvalidPull, PinSetInput
from gpiozero.pins import PinInfo
from gpiozero.pins.pi import PiFactory, PiPin

from controller.hal.board import Pull

# Revision code of a board with the 40-pin header: gpiozero takes pin names and numbers from it. They are the same on
# every such board, so nothing depends on what the running computer says of itself.
FORTY_PIN_HEADER = 0xA02082
PULLS: tuple[str, ...] = get_args(Pull)


class HeaderFactory(PiFactory):  # type: ignore[misc]  # gpiozero carries no types
    """Pins of a 40-pin header. Closing it closes its pins."""

    def _get_revision(self) -> int:
        return FORTY_PIN_HEADER

    @staticmethod
    def ticks() -> float:
        """Monotonic seconds, which gpiozero asks of every factory."""
        return time.monotonic()

    @staticmethod
    def ticks_diff(later: float, earlier: float) -> float:
        """Seconds between two ticks."""
        return later - earlier


class ClaimedPin(PiPin):  # type: ignore[misc]  # gpiozero carries no types
    """One pin; drivers give the primitives `claim_output`, `claim_input`, `write`, `read` and `free`."""

    def __init__(self, factory: HeaderFactory, info: PinInfo) -> None:
        super().__init__(factory, info)
        self.gpio: int = self._number
        self._function = "input"
        self._pull: str | None = None  # None: not claimed as an input, so that asking for any pull claims it
        self._safe_level: bool | None = None  # None: not claimed as an output

    def claim_output(self, level: bool) -> None:
        """Make the pin an output that carries this level from the first instant."""
        raise NotImplementedError

    def claim_input(self, pull: Pull) -> None:
        """Make the pin, claimed or not, an input with this pull."""
        raise NotImplementedError

    def write(self, level: bool) -> None:
        """Drive the claimed output."""
        raise NotImplementedError

    def read(self) -> bool:
        """The pin's level."""
        raise NotImplementedError

    def free(self) -> None:
        """Let go of the claimed pin as it stands."""
        raise NotImplementedError

    def close(self) -> None:
        """Drive an output to its safe level and free the pin, even when driving fails. May be repeated."""
        safe_level, self._safe_level = self._safe_level, None
        pull, self._pull = self._pull, None
        self._function = "input"
        if safe_level is not None:
            try:
                self.write(safe_level)
            finally:
                self.free()
        elif pull is not None:
            self.free()

    def output_with_state(self, state: bool) -> None:
        """Claim the pin as an output with this level, which counts as its safe one."""
        level = bool(state)
        self.claim_output(level)
        self._function, self._pull, self._safe_level = "output", None, level

    def _get_function(self) -> str:
        return self._function

    def _set_function(self, value: str) -> None:
        if value != "input":
            raise PinInvalidFunction(f"{self!r} becomes an output only together with its level")
        if self._safe_level is not None:
            raise PinInvalidFunction(f"{self!r} is an output until it is closed")

    def _get_state(self) -> bool:
        return self.read()

    def _set_state(self, value: bool) -> None:
        if self._safe_level is None:
            raise PinSetInput(f"cannot drive {self!r}: it is not an output")
        self.write(bool(value))

    def _get_pull(self) -> str:
        return self._pull or "unclaimed"

    def _set_pull(self, value: Pull) -> None:
        if self._safe_level is not None:
            raise PinFixedPull(f"cannot set the pull of {self!r}: it is an output")
        if value not in PULLS:
            raise PinInvalidPull(f"{self!r} has no pull {value!r}")
        self.claim_input(value)
        self._pull = value
