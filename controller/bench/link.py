"""How a program reaches the bench's pins: in its own process (DirectLink), or over its socket (BenchClient)."""

from functools import partial
from typing import TypeAlias

from controller.bench.client import BenchClient
from controller.bench.plant import Plant


class DirectLink:
    """A link to a bench in this process: its pins, claimed by this holder. `close` is as if the process had ended."""

    def __init__(self, plant: Plant, holder: str) -> None:
        self.claim_output = partial(plant.claim_output, holder=holder)
        self.claim_input = partial(plant.claim_input, holder=holder)
        self.set_pin = partial(plant.set_pin, holder=holder)
        self.read_pin = plant.read_pin
        self.release_pin = partial(plant.release_pin, holder=holder)
        self.close = partial(plant.leave, holder)


# The bench's header as one holder of pins sees it. Every call raises BoardError when it cannot be done.
BenchLink: TypeAlias = BenchClient | DirectLink
