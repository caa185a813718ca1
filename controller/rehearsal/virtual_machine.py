"""Guard, engine and bench in one process on a virtual clock.

The same code as in the three processes; only transport (calls instead of sockets) and clock differ. Time jumps from one
deadline to the next, so an evening takes seconds.
"""

from collections import deque
from collections.abc import Callable, Collection
from contextlib import ExitStack
from itertools import count
from pathlib import Path

from controller.bench.cell_truth import CellEffect
from controller.bench.effects import Effect
from controller.bench.link import DirectLink
from controller.bench.pins import BenchFactory
from controller.bench.plant import Plant
from controller.clock import VirtualClock
from controller.engine.background import Work
from controller.engine.engine import Engine
from controller.guard.contacts import POLL_UNDER_WAY_S
from controller.guard.guard import Guard
from controller.hal.gpio_board import GpioBoard
from controller.ledger.journal import Journal, MemoryJournal
from controller.ledger.store import Ledger
from controller.model.book import Book
from controller.model.messages import HEARTBEAT_S, Command, Event, TakeScale
from controller.model.profile import Profile
from controller.model.scale import ScaleSetting
from controller.model.states import MachineState
from controller.model.views import OperationView
from controller.rehearsal.bench_scale import BenchScale

RESTS_S = 2.0  # after the last touch; contacts are settled and records written long before
ENGINE, GUARD = "engine", "guard"  # the guard's name for its client, the bench's for the holder of its pins


class VirtualMachine:
    """A whole machine that does in no time what the real one does in minutes.

    seed, effects, cell: of the bench (its true parameters, what keeps it from holding still, and what its load cell
    has). ledger_path, journal: kept in memory when not given. poll_under_way_s: how often the guard reads the contacts
    while an operation is under way (s, under its limit of 0.25 s), and the engine beats no more often; less often is
    faster. listen: gets every event that
    the guard publishes, after the engine. clock, boot: as this start of the computer finds them; a clock of its own
    when not given. work: what does the engine's long work; done where it is asked for, when not given.
    """

    def __init__(
        self,
        profile: Profile,
        book: Book,
        *,
        seed: int,
        effects: Collection[Effect] = (),
        cell: Collection[CellEffect] | None = None,
        ledger_path: Path | str = ":memory:",
        journal: Journal | None = None,
        poll_under_way_s: float = POLL_UNDER_WAY_S,
        listen: Callable[[Event], None] | None = None,
        clock: VirtualClock | None = None,
        boot: str = "",
        work: Work | None = None,
    ) -> None:
        self.clock = clock or VirtualClock()
        with ExitStack() as opened:  # what was opened is closed again when anything fails on the way
            if journal is not None:
                opened.callback(journal.close)
            self.plant = Plant(profile, book, clock=self.clock, seed=seed, effects=effects, cell=cell)
            opened.callback(self.plant.close)
            self.ledger = Ledger(ledger_path)
            opened.callback(self.ledger.close)
            self._to_guard: deque[Command] = deque()
            self._to_engine: deque[Event] = deque()
            self._heard = 0  # events that the engine has taken in
            self._listen = listen
            self._journal = MemoryJournal() if journal is None else journal
            self._profile, self._poll_under_way_s, self._boot = profile, poll_under_way_s, boot
            self._numbers, self._work = count(1), work
            self._start(book)
            opened.callback(self._close_guard)
            self._opened = opened.pop_all()

    def restart(self, book: Book, *, journal: Journal | None = None) -> None:
        """Guard and engine start anew with this book on the same bench; journal: in place of the one before."""
        self.guard.close()
        self._journal = journal or self._journal
        self._to_guard.clear()
        self._to_engine.clear()
        self._start(book)

    def _close_guard(self) -> None:
        self.guard.close()  # the one that there is by then

    def _start(self, book: Book) -> None:
        self.guard = Guard(
            profile=self._profile,
            book=book,
            board=GpioBoard(self._profile, BenchFactory(DirectLink(self.plant, GUARD))),
            journal=self._journal,
            clock=self.clock,
            publish=lambda _client, event: self._to_engine.append(event),
            scale=None if self._profile.scale is None else BenchScale(self.plant, self.clock),
            poll_under_way_s=self._poll_under_way_s,
            boot=self._boot,
        )
        self.engine = Engine(
            profile=self._profile,
            book=book,
            ledger=self.ledger,
            clock=self.clock,
            send=self._to_guard.append,
            work=self._work,
            heartbeat_s=max(HEARTBEAT_S, self._poll_under_way_s),
            new_id=lambda: f"{self._boot}{next(self._numbers):06d}",
        )
        self._to_guard.append(self.engine.hello())
        self.run_until(lambda: self.engine.status().state in (MachineState.IDLE, MachineState.ABORTED), 5.0)

    def take_scale(self, setting: ScaleSetting) -> None:
        """Zero and span of the scale, as an operator has found them."""
        self._to_guard.append(TakeScale(setting=setting))
        self.pass_time(0.1)

    def close(self) -> None:
        """Everything off, files closed."""
        self._opened.close()

    def run_until(self, is_reached: Callable[[], bool], within_s: float) -> None:
        """Let time pass until is_reached; TimeoutError after within_s (s) of virtual time."""
        end_s = self.clock.now_s() + within_s
        while True:
            self._exchange()
            if is_reached():
                return
            if self.clock.now_s() >= end_s:
                raise TimeoutError(f"not reached within {within_s} s: {self.engine.status()}")
            self.clock.move_to(min(end_s, max(self.clock.now_s(), self._next_s())))

    def pass_time(self, seconds: float) -> None:
        """Let so many seconds (s, >= 0) pass.

        The middle of a long rest is left out: nothing moves and nobody is there, so that the guard could do no more
        than read contacts that stay as they are.
        """
        end_s = self.clock.now_s() + seconds
        if seconds > 2 * RESTS_S:
            settled_s = self.clock.now_s() + RESTS_S
            self.run_until(lambda: self.clock.now_s() >= settled_s, RESTS_S)
            due_s = self.engine.tick()
            if (due_s is None or due_s > end_s) and not self.plant.moves():
                self.clock.move_to(end_s - RESTS_S)
        self.run_until(lambda: self.clock.now_s() >= end_s, end_s - self.clock.now_s())

    def finish(self, operation: str, within_s: float = 300.0) -> OperationView:
        """Let time pass until an operation is over and the machine free again; Refused when it never began."""

        looked_after = -1

        def is_over() -> bool:
            nonlocal looked_after
            if looked_after == self._heard:
                return False  # an operation ends by an event of the guard
            looked_after = self._heard
            view = self.engine.operation(operation)
            return bool(view.refused) or (
                view.outcome is not None and self.engine.status().state in (MachineState.IDLE, MachineState.ABORTED)
            )

        self.run_until(is_over, within_s)
        view = self.engine.operation(operation)
        if view.refused:
            raise view.refused[0].error()
        return view

    def _exchange(self) -> None:
        """Let guard and engine speak until neither has anything to say at this instant."""
        self._guard_due_s = self.guard.next_deadline_s()
        if self._guard_due_s <= self.clock.now_s():
            self._guard_due_s = self.guard.tick()
        self._engine_due_s = self.engine.tick()
        while self._to_guard or self._to_engine:
            while self._to_guard:
                self.guard.handle(ENGINE, self._to_guard.popleft())
            self._guard_due_s = self.guard.next_deadline_s()  # handling a command does all that is due
            while self._to_engine:
                event = self._to_engine.popleft()
                self.engine.on_event(event)
                self._heard += 1
                if self._listen is not None:
                    self._listen(event)
            self._engine_due_s = self.engine.tick()

    def _next_s(self) -> float:
        dues = [due for due in (self._guard_due_s, self._engine_due_s) if due is not None]
        return min(dues, default=self.clock.now_s() + 1.0)
