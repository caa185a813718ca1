"""The bench's gpiozero pin factory: its pins forward levels to the bench, which keeps them."""

from pathlib import Path

from gpiozero.pins import PinInfo

from controller.bench.client import BenchClient
from controller.bench.link import BenchLink
from controller.hal.board import Pull
from controller.hal.claimed_pins import ClaimedPin, HeaderFactory
from controller.model.profile import Profile


class BenchFactory(HeaderFactory):
    """Pins of the simulated header, over a link of this factory's own."""

    def __init__(self, link: BenchLink) -> None:
        super().__init__()
        self.link = link
        self.pin_class = BenchPin

    def close(self) -> None:
        """Release all pins, then the link. May be repeated."""
        try:
            super().close()
        finally:
            self.link.close()


class BenchPin(ClaimedPin):
    """One simulated pin."""

    def __init__(self, factory: BenchFactory, info: PinInfo) -> None:
        super().__init__(factory, info)
        self._link = factory.link

    def claim_output(self, level: bool) -> None:
        """Make the pin an output that carries this level from the first instant."""
        self._link.claim_output(self.gpio, level)

    def claim_input(self, pull: Pull) -> None:
        """Make the pin an input with this pull."""
        self._link.claim_input(self.gpio, pull)

    def write(self, level: bool) -> None:
        """Drive the claimed output."""
        self._link.set_pin(self.gpio, level)

    def read(self) -> bool:
        """The pin's level."""
        return self._link.read_pin(self.gpio)

    def free(self) -> None:
        """Let go of the claimed pin as it stands."""
        self._link.release_pin(self.gpio)


def open_factory(profile: Profile, bench_socket: Path) -> BenchFactory:
    """A factory for the pins of the bench that listens at this socket; Unreachable when none does."""
    return BenchFactory(BenchClient(bench_socket, name="board"))
