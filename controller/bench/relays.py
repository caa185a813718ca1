"""A relay channel: from the level at its GPIO to its contact, with operate and release time and its faults."""

import math
from typing import Literal


class Relay:
    """One channel. A level that ends before the operate time is over never closes the contact."""

    def __init__(self, operate_s: float, release_s: float) -> None:
        self.operate_s, self.release_s = operate_s, release_s
        self.extra_s = 0.0  # fault: slow
        self.stuck: Literal["on", "off"] | None = None  # fault
        self.pulled_in = False  # the coil carries current
        self.closed = False
        self.due_s = math.inf  # when the armature arrives

    def command(self, on: bool, now_s: float) -> None:
        """The level at the GPIO now pulls the relay in, or lets it go."""
        if on != self.pulled_in:
            self.pulled_in = on
            self._aim(now_s)

    def stick(self, stuck: Literal["on", "off"] | None, now_s: float) -> None:
        """The contact sticks, or comes free again."""
        self.stuck = stuck
        self._aim(now_s)

    def arrive(self) -> None:
        """The armature has arrived: the contact changes."""
        self.closed = not self.closed
        self.due_s = math.inf

    def _aim(self, now_s: float) -> None:
        wanted = self.pulled_in if self.stuck is None else self.stuck == "on"
        if wanted == self.closed:
            self.due_s = math.inf
        elif self.stuck is not None:
            self.due_s = now_s
        else:
            self.due_s = now_s + self.extra_s + (self.operate_s if wanted else self.release_s)
