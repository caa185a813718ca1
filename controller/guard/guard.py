"""Supervisor, board and journal joined: decides nothing itself, keeps the order in which things happen.

Levels first, offs before ons; then the records on disk; then the events out. Runs the same in real and virtual time.
"""

from collections import deque
from collections.abc import Callable, Sequence

from msgspec.structs import replace

from controller.clock import Clock
from controller.errors import BoardError
from controller.guard.contacts import CLEAR_S, POLL_UNDER_WAY_S, ContactReader
from controller.guard.journal_writer import JournalWriter
from controller.guard.outputs import BoardOutputs
from controller.guard.scale_port import ScalePort
from controller.hal.board import Board
from controller.ledger.journal import Journal
from controller.model.book import Book
from controller.model.messages import (
    Acknowledge,
    Admitted,
    Command,
    Confirm,
    EdgesTimed,
    Ended,
    Event,
    Heartbeat,
    Hello,
    Judged,
    Refusal,
    Report,
    Start,
    TakeBook,
    Unhold,
)
from controller.model.profile import Profile
from controller.safety.records import Memory
from controller.safety.supervisor import BOARD, JOURNAL, Supervisor

Publish = Callable[[str | None, Event], None]  # client, or None for all that have said hello

MOST_TURNS = 16  # of the core in one tick; it settles in far fewer
LATENESS_KEPT = 4096
BUSY_AFTER_S = 3.0  # after an operation the scale is read at its full pace for so long; what hangs in tubes drips off


class Guard:
    """Owns the board. `handle`, `client_gone` and `tick` must not be called from within `publish`.

    Attributes:
        core: what decides; others only look at it.
        lateness_s: by how much the latest edges came after their time (s), switching included.
    """

    def __init__(  # noqa: PLR0917 - the six parts that a guard is made of
        self,
        profile: Profile,
        book: Book,
        board: Board,
        journal: Journal,
        clock: Clock,
        publish: Publish,
        *,
        boot: str = "",
        arm: Callable[[bool], None] | None = None,
        is_watched: Callable[[], bool] | None = None,
        read_book: Callable[[], None] | None = None,
        scale: ScalePort | None = None,
        poll_under_way_s: float = POLL_UNDER_WAY_S,
    ) -> None:
        """Drive everything off, read the journal, bring to an end what a crash cut short.

        boot: the kernel's boot id, "" in virtual time. arm: as for BoardOutputs. is_watched: whether the sentinel has
        just answered; asked before anything begins, and in every turn until it has or `block` ends the waiting.
        read_book: begin to read the book's file again; `book_read` must follow. scale: where its readings come from.

        Raises RecordError when the journal cannot be read.
        """
        self._board, self._clock, self._publish = board, clock, publish
        self._outputs = BoardOutputs(profile, board, clock, arm)
        self._contacts = ContactReader(profile, board, clock, poll_under_way_s)
        self._is_watched = is_watched
        self._read_book, self._asked_for_book = read_book, ""
        self._scale, self._busy_until_s = scale, 0.0
        self.lateness_s: deque[float] = deque(maxlen=LATENESS_KEPT)
        self._untold_s: list[float] = []  # the same, since all were off
        failure = self._outputs.all_off()
        self._writer = JournalWriter(journal)
        self.core = self._wake(profile, book, boot)
        if failure is not None:
            self._board_failed(failure)
        self._finish([], None)

    def _wake(self, profile: Profile, book: Book, boot: str) -> Supervisor:
        remembered = self._writer.remember()
        now_s, wall_s = self._clock.now_s(), self._clock.wall_s()

        def supervisor(memory: Memory, damage: str) -> Supervisor:
            snapshot = remembered.wants_snapshot
            return Supervisor(
                profile, book, memory, now_s=now_s, wall_s=wall_s, boot=boot, damage=damage, snapshot=snapshot
            )

        try:
            return supervisor(remembered.memory, remembered.damage)
        except Exception as problem:  # whatever is in the journal, the guard starts, safe
            return supervisor(Memory(), f"nobody can work with what is in the journal: {problem!r}")

    # --- what the loop calls

    def handle(self, client: str, command: Command) -> None:
        """Act on one command of one client, switching included."""
        if isinstance(command, Start | Confirm | Unhold):
            self._turn(look=True)  # these are judged by the contacts as they are now
        if isinstance(command, Acknowledge):
            self._try_again()
        damage = self._writer.lacks(command.journal) if isinstance(command, Hello) and command.journal else ""
        events = self.core.receive(self._clock.now_s(), client, command, damage=damage)
        if isinstance(command, Heartbeat) and not events and self.next_deadline_s() > self._clock.now_s():
            return  # nothing is due, nor is anything any earlier by it
        self._turn(events, client=client, is_private=isinstance(command, Hello))
        if isinstance(command, TakeBook) and self.core.wants_book:
            self._begin_to_read(client)
        self.tick()

    def book_read(self, book: Book | None, problem: str = "") -> None:
        """The book as its file has it now; None when it cannot be used, and why."""
        self._turn(self.core.take_book(self._clock.now_s(), book, problem), client=self._asked_for_book)
        self.tick()

    def client_gone(self, client: str) -> None:
        """A client's connection is closed."""
        self._turn(self.core.client_gone(self._clock.now_s(), client))
        self.tick()

    def tick(self) -> float:
        """Do what is due; returns when to call again at the latest (s, monotonic)."""
        self.core.note_wall(self._clock.now_s(), self._clock.wall_s())
        if self._scale is not None:
            if self._turn_due_s <= self._clock.now_s():
                self._turn()  # edges and contacts that are due come before readings, and so do edges that soon will be
            if self._is_clear:
                self._weigh(self._scale)
        if self._writer.wants_snapshot and self._outputs.is_at_rest and not self.core.is_under_way:
            self.core.sum_up(self._clock.now_s())
            self._finish([], None)
        for _ in range(MOST_TURNS):
            self._turn()
            due_s = self.next_deadline_s()
            if due_s > self._clock.now_s():
                break
        return due_s

    def next_deadline_s(self) -> float:
        """When to tick at the latest (s, monotonic)."""
        deadline_s = self._turn_due_s
        if self._outputs.is_at_rest:
            deadline_s = min(deadline_s, self._writer.due_s)
        if self._scale is not None and self._is_clear:
            deadline_s = min(deadline_s, self._scale.due_s)
        return deadline_s if self._outputs.retry_off_s is None else min(deadline_s, self._outputs.retry_off_s)

    def block(self, cause: str, text: str) -> None:
        """Something that every operation needs is missing: what is under way ends, and nothing begins."""
        self._turn(self.core.block(self._clock.now_s(), cause, text))
        self.tick()

    def unblock(self, cause: str) -> None:
        """It is there again."""
        self.core.unblock(cause)
        self.tick()

    def end(self, reason: str) -> None:
        """End what is under way as stopped, and write that down."""
        self._turn(self.core.end(self._clock.now_s(), reason))
        self.tick()

    def close(self) -> None:
        """Everything off; board and journal are released. May be repeated. BoardError when a channel did not obey."""
        self._board.close()
        self._writer.close()

    # --- one turn

    @property
    def _turn_due_s(self) -> float:
        """When something is to be switched or looked at, scale and disk aside (s, monotonic)."""
        return min(self.core.next_deadline_s(), self._contacts.due_s)

    @property
    def _is_clear(self) -> bool:
        """Whether no edge is due so soon that looking at the scale could make it late."""
        return self.core.next_edge_s > self._clock.now_s() + CLEAR_S

    def _weigh(self, scale: ScalePort) -> None:
        """Take the scale's readings; it is read at its full pace a while longer than pumps run."""
        now_s = self._clock.now_s()
        if self.core.is_under_way or self.core.is_weighing:
            self._busy_until_s = now_s + BUSY_AFTER_S
        scale.pace(now_s, busy=now_s < self._busy_until_s)
        self._send(self.core.weigh(now_s, scale.take()), None)

    def _turn(
        self, events: Sequence[Event] = (), *, client: str | None = None, is_private: bool = False, look: bool = False
    ) -> None:
        now_s = self._clock.now_s()
        if self._outputs.retry_off_s is not None and now_s >= self._outputs.retry_off_s:
            self._outputs.all_off()
        levels, more = self.core.advance(now_s, self._contacts.read(self.core, now_s, look=look))
        failed = self._apply(levels)
        self._finish([*events, *more, *failed], client, is_private=is_private)

    def _apply(self, levels: frozenset[int]) -> list[Event]:
        """Switch what differs; what comes of it when the board fails."""
        try:
            if not self._outputs.drive(levels, is_fed=self.core.is_fed):
                return []
        except BoardError as failure:
            return self._board_failed(str(failure))
        now_s = self._clock.now_s()
        late_s = [now_s - due_s for due_s in self.core.due_s]
        self.lateness_s.extend(late_s)
        self._untold_s += late_s
        return [] if levels else self._edges_timed()

    def _edges_timed(self) -> list[Event]:
        late_s = tuple(round(one, 6) for one in self._untold_s)
        self._untold_s.clear()
        return [EdgesTimed(late_s=late_s)] if late_s else []

    def _board_failed(self, failure: str) -> list[Event]:
        self._outputs.all_off()
        return self.core.trouble(self._clock.now_s(), BOARD, failure)

    def _begin_to_read(self, client: str) -> None:
        self._asked_for_book = client
        if self._read_book is None:
            self.book_read(None, "this guard was not started from files.")
        else:
            self._read_book()

    def _try_again(self) -> None:
        """Before an acknowledgement is judged: whether board and disk work again."""
        if self._outputs.retry_off_s is None:
            self.core.sound(BOARD)
        if self._writer.write(self._clock.now_s(), is_urgent=True) is None:
            self.core.sound(JOURNAL)

    # --- records and events

    def _finish(self, events: Sequence[Event], client: str | None, *, is_private: bool = False) -> None:
        """Write what must be written, then publish; begin what was waiting to be on disk."""
        now_s = self._clock.now_s()
        self._writer.take(self.core.take_records())
        proposal = self.core.proposal
        failure = None
        if self._outputs.is_at_rest:  # a disk may take its time: never while a channel is on, or has its feed
            failure = self._writer.write(now_s, is_urgent=False)
            self.core.stood_still(self._clock.now_s() - now_s)
        self._send(events, client, is_private=is_private)
        if proposal is not None:
            self._settle_proposal(proposal, failure, client)
        elif failure is not None:
            self._send(self.core.trouble(self._clock.now_s(), JOURNAL, failure), None)
            self._writer.take(self.core.take_records())

    def _settle_proposal(self, operation: str, failure: str | None, client: str | None) -> None:
        now_s = self._clock.now_s()
        if failure is not None:
            self._writer.drop(operation)
            self._send(self.core.record_failed(now_s, failure), client)
        elif self._is_watched is None or self._is_watched():
            self._send(self.core.recorded(now_s, operation), client)

    def _send(self, events: Sequence[Event], client: str | None, *, is_private: bool = False) -> None:
        for one in events:
            knows = isinstance(one, Admitted | Ended | Report)
            event = replace(one, journal=self._writer.head) if knows else one
            if is_private or isinstance(event, Judged | Refusal | Report):
                self._publish(client, event)
            elif self.core.is_heard:
                self._publish(None, event)
