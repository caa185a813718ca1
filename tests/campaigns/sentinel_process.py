"""The sentinel as a model of what is measured of the real one: it switches off within 30 ms of the guard's end."""

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from controller.guard.guard import Guard
from controller.guard.sentinel_link import FRESH_S, LOST, RESTART_S
from tests.campaigns.board import drive_off

if TYPE_CHECKING:
    from tests.campaigns.house import House

SENTINEL_SILENCE_S = 0.5  # sentinel.SILENCE_S


class SentinelProcess:
    """One at a time; begun by the guard, and missed by it when it is gone."""

    def __init__(self, house: "House") -> None:
        self.house = house
        self.is_watching = self.is_frozen = self.is_armed = False
        self.frozen_s = math.inf  # since when
        self._answered_s = -math.inf
        self._is_asked = False
        self._life = 0

    def begin(self) -> None:
        """A new one begins to watch."""
        process = self.house.guard_process
        if process.guard is None or self.is_watching:
            return
        self._life += 1
        self.is_watching, self.is_frozen, self._is_asked = True, False, False
        self._once_it_moves(lambda guard: guard.unblock(LOST))

    def answers(self) -> bool:
        """Whether it has answered just now; asks it when its last answer is older."""
        if self.house.now_s - self._answered_s <= FRESH_S:
            return True
        if not self._is_asked and self.is_watching:
            self._is_asked = True
            if self.is_frozen:
                self._miss_it()
            else:
                life = self._life
                self.house.later(self.house.draw.uniform(0.0001, 0.003), lambda: self._answer(life))
        return False

    def _answer(self, life: int) -> None:
        if self._life == life and not self.is_frozen:
            self._is_asked, self._answered_s = False, self.house.now_s
            self.house.guard_process.run(Guard.tick)

    def arm(self, is_armed: bool) -> None:
        """The guard says whether a channel may be on; a frozen sentinel is missed half a second later."""
        self.is_armed = is_armed
        if is_armed and self.is_frozen:
            self._miss_it()

    def freeze(self) -> None:
        """It stands still."""
        self.is_frozen, self.frozen_s = True, self.house.now_s
        if self.is_armed or self._is_asked:
            self._miss_it()

    def die(self) -> None:
        """It is killed; the guard sees its pipe close."""
        if self.is_watching:
            self.is_watching = self.is_frozen = False
            self._life += 1
            self.house.later(self.house.draw.uniform(0.0005, 0.01), self._guard_sees)

    def guard_gone(self) -> None:
        """The pipe is closed: drive every line off."""
        sees, self.is_watching, self.is_armed = self.is_watching and not self.is_frozen, False, False
        self.is_frozen = False
        self._life += 1
        if sees:
            self.house.later(self.house.draw.uniform(0.001, 0.03), self._drive_off)

    def guard_froze(self) -> None:
        """No more beats: half a second after the last one the guard is killed."""
        process = self.house.guard_process
        life = process.lives

        def kill() -> None:
            if (
                process.lives == life
                and process.is_frozen
                and self.is_watching
                and not self.is_frozen
                and self.is_armed
            ):
                process.die("killed by the sentinel")

        self.house.later(SENTINEL_SILENCE_S - self.house.draw.uniform(0.0, 0.05), kill)

    def _drive_off(self) -> None:
        if self.house.guard_process.guard is None and not self.house.is_dark:
            drive_off(self.house.plot.profile, self.house.plant, self.house.failures, "the sentinel")

    def _miss_it(self) -> None:
        life = self._life
        self.house.later(SENTINEL_SILENCE_S, lambda: self.die() if self._life == life and self.is_frozen else None)

    def _guard_sees(self) -> None:
        self._once_it_moves(lambda guard: guard.block(LOST, "the sentinel has ended"))
        life = self.house.guard_process.lives
        self.house.later(RESTART_S, lambda: self.begin() if self.house.guard_process.lives == life else None)

    def _once_it_moves(self, what: Callable[[Guard], object]) -> None:
        """What the guard learns by a pipe, a frozen one learns when it runs on."""
        process = self.house.guard_process
        life = process.lives

        def tell() -> None:
            if process.lives != life or process.guard is None:
                return
            if process.is_frozen:
                self.house.later(0.01, tell)
            else:
                process.run(what)

        tell()
