"""The board's outputs, driven to what the core wants: channels, offs before ons, within the feed; signals with them."""

from collections.abc import Callable

from controller.clock import Clock
from controller.hal.board import Board
from controller.model.profile import Profile

RETRY_OFF_S = 0.1  # how often a board that would not switch off is tried again


class BoardOutputs:
    """Remembers what is on, so that only what differs is switched.

    Attributes:
        retry_off_s: when `all_off` is due again (s, monotonic); None once every channel has obeyed.
    """

    def __init__(self, profile: Profile, board: Board, clock: Clock, arm: Callable[[bool], None] | None) -> None:
        """arm: told True before anything goes on while nothing is, and False when everything is off again."""
        self._board, self._clock, self._arm = board, clock, arm
        self._on: frozenset[int] = frozenset()
        self._is_fed = False  # whether the main relay is closed
        self._has_main = profile.main_relay is not None
        self._signals = sorted(row.name for row in profile.output_table if row.role.is_on_while == "pumps run")
        self.retry_off_s: float | None = None

    @property
    def is_at_rest(self) -> bool:
        """Whether no channel is on and the main relay is open."""
        return not self._on and not self._is_fed

    def drive(self, levels: frozenset[int], *, is_fed: bool) -> bool:
        """Switch what differs; whether anything did. Raises BoardError, after which `all_off` must follow."""
        is_fed = self._has_main and is_fed
        if levels == self._on and is_fed == self._is_fed:
            return False
        if (levels or is_fed) and self.is_at_rest and self._arm:
            self._arm(True)
        if is_fed and not self._is_fed:
            self._board.feed(on=True)
        for line in sorted(self._on - levels):
            self._board.switch(line, on=False)
        for line in sorted(levels - self._on):
            self._board.switch(line, on=True)
        if self._is_fed and not is_fed:
            self._board.feed(on=False)
        if bool(levels) != bool(self._on):
            for name in self._signals:
                self._board.signal(name, on=bool(levels))
        self._on, self._is_fed = levels, is_fed
        if self.is_at_rest and self._arm:
            self._arm(False)
        return True

    def all_off(self) -> str | None:
        """Drive everything off, whatever fails on the way: the first failure, None when every channel obeyed."""
        failures = self._board.all_off()
        self._on, self._is_fed = frozenset(), False
        self.retry_off_s = self._clock.now_s() + RETRY_OFF_S if failures else None
        return str(failures[0]) if failures else None
