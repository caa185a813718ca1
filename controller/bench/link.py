"""How a program reaches the bench's pins: in its own process (DirectLink), or over its socket (BenchClient)."""

from typing import TypeAlias

from controller.bench.client import BenchClient
from controller.bench.plant import Plant
from controller.hal.board import Pull


class DirectLink:
    """A link to a bench in this process."""

    def __init__(self, plant: Plant, holder: str) -> None:
        self._plant, self._holder = plant, holder
        self.read_pin = plant.read_pin  # read often; every call counts

    def claim_output(self, gpio: int, level: bool) -> None:
        """Make a pin an output that carries this level from the first instant."""
        self._plant.claim_output(gpio, level, holder=self._holder)

    def claim_input(self, gpio: int, pull: Pull) -> None:
        """Make a pin an input with this pull."""
        self._plant.claim_input(gpio, pull, holder=self._holder)

    def set_pin(self, gpio: int, level: bool) -> None:
        """Drive a claimed output."""
        self._plant.set_pin(gpio, level, holder=self._holder)

    def release_pin(self, gpio: int) -> None:
        """Let go of a claimed pin."""
        self._plant.release_pin(gpio, holder=self._holder)

    def close(self) -> None:
        """Let go of everything, as if the process had ended. May be repeated."""
        self._plant.leave(self._holder)


# The bench's header as one holder of pins sees it. Every call raises BoardError when it cannot be done.
BenchLink: TypeAlias = BenchClient | DirectLink
