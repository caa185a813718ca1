"""When the board's contacts are read: at a steady pace, but never so shortly before an edge that it would be late."""

from controller.clock import Clock, next_beat_s
from controller.errors import BoardError
from controller.hal.board import Board
from controller.model.profile import Profile
from controller.safety.supervisor import Supervisor

POLL_IDLE_S = 0.2
POLL_BUTTON_S = 0.1  # the same where there is a button: a shorter press may go unseen
POLL_UNDER_WAY_S = 0.02
CLEAR_S = 0.003  # nothing is read within this time before an edge,
MOST_PUT_OFF_S = 0.04  # unless the last reading is this old: a stop has 0.1 s in all (model/ranges.py)


class ContactReader:
    """Reads the contacts when they are due.

    Attributes:
        due_s: when they are to be read next (s, monotonic).
    """

    def __init__(self, profile: Profile, board: Board, clock: Clock, poll_under_way_s: float) -> None:
        has_button = any(row.role.effect == "tell" for row in profile.input_table)
        self._board = board
        self._poll_idle_s = POLL_BUTTON_S if has_button else POLL_IDLE_S
        self._poll_under_way_s = poll_under_way_s
        self.due_s = self._read_s = clock.now_s()

    def read(self, core: Supervisor, now_s: float, *, look: bool) -> dict[str, bool] | None:
        """A fresh reading when one is due, or at once (look); an empty one when the board cannot be read."""
        if not look:
            if now_s < min(self.due_s, core.look_s):
                return None
            is_wanted, edge_s = now_s >= core.look_s, core.next_edge_s
            if not is_wanted and edge_s < now_s + CLEAR_S and now_s - self._read_s < MOST_PUT_OFF_S:
                self.due_s = max(now_s, edge_s)  # reading takes time; the edge comes first
                return None
        self._read_s = now_s
        self.due_s = next_beat_s(now_s, self._poll_under_way_s if core.is_under_way else self._poll_idle_s)
        try:
            return self._board.read()
        except BoardError:
            return {}
