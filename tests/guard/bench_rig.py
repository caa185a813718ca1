"""The guard's rig over the simulated machine in place of the board that records."""

from controller.bench.link import DirectLink
from controller.bench.pins import BenchFactory
from controller.bench.plant import Plant
from controller.clock import VirtualClock
from controller.hal.gpio_board import GpioBoard
from controller.model.book import Book
from controller.model.profile import Profile
from tests.guard.guard_parts import BOOK, Rig


class BenchRig(Rig):
    """Guard and bench in virtual time."""

    def __init__(self, machine: Profile, *, book: Book = BOOK, seed: int = 1) -> None:
        clock = VirtualClock(now_s=1000.0)
        self.plant = Plant(machine, book, clock=clock, seed=seed)
        board = GpioBoard(machine, BenchFactory(DirectLink(self.plant, "guard")))
        super().__init__(machine, book=book, clock=clock, board=board)
