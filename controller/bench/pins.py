"""The bench's gpiozero pin factory: its pins forward levels to the bench, which keeps them."""

import time

from gpiozero.exc import PinFixedPull, PinInvalidFunction, PinInvalidPull, PinSetInput
from gpiozero.pins import PinInfo
from gpiozero.pins.pi import PiFactory, PiPin

from controller.bench.header import Pull
from controller.bench.link import BenchLink

# Revision code of a board with the 40-pin header: gpiozero takes pin names and numbers from it.
FORTY_PIN_HEADER = 0xA02082


class BenchFactory(PiFactory):  # type: ignore[misc]  # gpiozero carries no types
    """Pins of the simulated header, over a link of this factory's own."""

    def __init__(self, link: BenchLink) -> None:
        super().__init__()
        self.link = link
        self.pin_class = BenchPin

    def close(self) -> None:
        """Release all pins, then the link. May be repeated."""
        super().close()
        self.link.close()

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


class BenchPin(PiPin):  # type: ignore[misc]  # gpiozero carries no types
    """One simulated pin. Nothing is claimed before its direction is set, and an output is claimed with its level."""

    def __init__(self, factory: BenchFactory, info: PinInfo) -> None:
        super().__init__(factory, info)
        self._link = factory.link
        self._is_claimed = False
        self._function = "input"
        self._pull: Pull = "floating"

    def close(self) -> None:
        """Release the pin as it stands. May be repeated."""
        if self._is_claimed:
            self._is_claimed = False
            self._link.release_pin(self._number)

    def output_with_state(self, state: bool) -> None:
        """Claim the pin as an output that carries this level at once."""
        self._link.claim_output(self._number, bool(state))
        self._is_claimed, self._function = True, "output"

    def _get_function(self) -> str:
        return self._function

    def _set_function(self, value: str) -> None:
        if value != "input":
            raise PinInvalidFunction(f"{self!r} becomes an output only together with its level")
        self._claim_input(self._pull)

    def _claim_input(self, pull: Pull) -> None:
        self._link.claim_input(self._number, pull)
        self._is_claimed, self._function, self._pull = True, "input", pull

    def _get_state(self) -> bool:
        return self._link.read_pin(self._number)

    def _set_state(self, value: bool) -> None:
        if self._function != "output":
            raise PinSetInput(f"cannot drive {self!r}: it is an input")
        self._link.set_pin(self._number, bool(value))

    def _get_pull(self) -> str:
        return self._pull

    def _set_pull(self, value: Pull) -> None:
        if self._function != "input":
            raise PinFixedPull(f"cannot set the pull of {self!r}: it is an output")
        if value not in ("up", "down", "floating"):
            raise PinInvalidPull(f"{self!r} has no pull {value!r}")
        self._claim_input(value)
