"""The whole machine on one virtual clock: bench, guard, engine, sentinel, the wire and the disk between them."""

import heapq
from collections.abc import Callable
from itertools import count
from random import Random

from controller.bench.plant import Plant
from controller.clock import VirtualClock
from controller.engine.engine import Engine
from controller.model.messages import Command
from tests.campaigns.board import Failures, cut_power
from tests.campaigns.bottles import Bottles, edited
from tests.campaigns.disk import Disk, DiskLedger
from tests.campaigns.doubt import altered
from tests.campaigns.engine_process import EngineProcess
from tests.campaigns.guard_process import GuardProcess
from tests.campaigns.plot import BOOT, START_S, Plot
from tests.campaigns.processes import BootClock
from tests.campaigns.sentinel_process import SentinelProcess
from tests.campaigns.violation import Violation
from tests.campaigns.watch import Watch
from tests.campaigns.wire import Connection, Manners

MOST_AT_ONCE = 400  # things that happen in one instant; more would be a loop without end


class House:
    """One run's world. `story` tells what happened, for whoever replays it."""

    def __init__(self, plot: Plot) -> None:
        self.plot = plot
        self.draw = Random(plot.seed + 1)
        self.clock = VirtualClock(now_s=START_S, wall_s=plot.past.wall_s)
        self.boot, self.boot_clock = BOOT, BootClock(self.clock, 0.0)
        self.is_dark = False  # no power
        self.story: list[str] = []
        self.manners = plot.manners
        self.rogue = plot.rogue
        self.scale_ails = ""  # what the process that reads the scale does instead of its job
        self.unheard_s: float | None = None  # since when no new reading of it can come
        self.failures = Failures()
        self.unsound: set[int] = set()  # lines with a fault that the guard cannot know of
        self.is_glass_in_doubt = plot.profile.inputs.glass is None  # no contact, or one that has lied
        self.odd: set[int] = set()  # lines on which not their own liquid hangs, but cleaner, water or nothing
        self.book = plot.book  # its file, as people leave it
        self.books = {plot.book.title: plot.book}
        self.assigned = {state.line: state.assigned for state in plot.past.lines}
        self._deaf_until_s: dict[int, float] = {}
        self._agenda: list[tuple[float, int, Callable[[], object]]] = []
        self._numbers, self._ids, self._connections = count(), count(1), count(1)
        self.plant = Plant(
            plot.profile, plot.book, clock=self.clock, persist=plot.persist, truth=plot.truth, memory=plot.bench
        )
        self.disk = Disk(self.clock, self.draw, lambda: self.watch, plot.journal().body)
        self.ledger = DiskLedger(self.disk)
        self.guard_process, self.engine_process = GuardProcess(self), EngineProcess(self)
        self.sentinel = SentinelProcess(self)
        self.bottles = Bottles(self)
        self.watch = Watch(self)
        self.tell(f"{plot.manners}, poll {plot.poll_s} s, late {plot.jitter_s} s, rogue {plot.rogue}")

    def start(self) -> None:
        """Guard and engine start."""
        self.guard_process.start()
        self.engine_process.start()

    def close(self) -> None:
        """Release the ledger."""
        self.ledger.close()
        self.plant.close()
        self.disk.close()

    @property
    def now_s(self) -> float:
        """The house's own clock, which no boot interrupts."""
        return self.clock.now_s()

    @property
    def engine(self) -> Engine | None:
        """The engine, when it lives and moves."""
        return None if self.engine_process.is_frozen else self.engine_process.engine

    def tell(self, text: str) -> None:
        """Add to the story."""
        self.story.append(f"{self.now_s - START_S:9.4f} {text}")

    def later(self, in_s: float, what: Callable[[], object]) -> None:
        """Do something in so many seconds."""
        heapq.heappush(self._agenda, (self.now_s + in_s, next(self._numbers), what))

    def new_id(self) -> str:
        """The next operation's id; no two are the same, whichever engine asks."""
        return f"op{next(self._ids)}"

    def connect(self) -> Connection:
        """A new connection to the guard."""
        connection = Connection(f"c{next(self._connections)}", self.manners, self.draw)
        self.guard_process.connections[connection.name] = connection
        return connection

    def altered(self, command: Command) -> Command:
        """The command as an engine in doubt would send it."""
        if self.rogue and self.draw.random() < self.rogue:
            return altered(command, self.plot, self.draw)
        return command

    def edit_book(self, edit: str) -> None:
        """Somebody writes other figures into the book's file."""
        title = f"edit {len(self.books)}"
        self.book = self.books[title] = edited(self.book, edit, title, self.draw)

    def use_sound_wires(self) -> None:
        """From now on every connection is a stream that only delays."""
        self.manners = Manners()
        for connection in list(self.guard_process.connections.values()):
            connection.cut(self.now_s)

    # --- faults that need to be kept in mind

    def deafen(self, line: int, lasts_s: float) -> None:
        """A pin that does not obey for a while; somebody drives it off at latest two seconds after that."""
        self.failures.deaf.add(line)
        self._deaf_until_s[line] = self.now_s + lasts_s + 2.0
        self.mark_unsound(line)
        self.later(lasts_s, lambda: self.failures.deaf.discard(line))

    def is_deaf(self, line: int) -> bool:
        """Whether it may be on although everybody wants it off."""
        return self.now_s < self._deaf_until_s.get(line, 0.0)

    def mark_unsound(self, line: int) -> None:
        """What this line really moves is nobody's reckoning from now on."""
        self.unsound.add(line)
        self.watch.amounts.excuse({line})

    def set_wall(self, by_s: float) -> None:
        """Set the wall clock."""
        self.clock.set_wall(self.clock.wall_s() + by_s)

    def lose_power(self, wall_by_s: float, lasts_s: float) -> None:
        """A power cut; afterwards the wall clock may be behind."""
        self.is_dark = True
        if self.guard_process.guard is not None:
            self.guard_process.die("power cut")
        if self.engine_process.engine is not None:
            self.engine_process.die("power cut")
        self.boot = f"boot {self.guard_process.lives}"
        cut_power(self.plot.profile, self.plant)
        self.disk.lose_power()
        self.later(lasts_s, lambda: self._power_returns(wall_by_s))

    def _power_returns(self, wall_by_s: float) -> None:
        self.is_dark = False
        self.set_wall(wall_by_s)
        self.boot_clock = BootClock(self.clock, self.now_s - 1.0)
        self.guard_process.start()
        self.engine_process.start()

    # --- time

    def run_until(self, end_s: float) -> None:
        """Let time pass up to end_s (house clock)."""
        while True:
            self._turn()
            if self.now_s >= end_s:
                return
            self.clock.move_to(min(end_s, max(self.now_s, self._next_s())))

    def _turn(self) -> None:
        """Everything that is due at this instant, in one order or the other."""
        for _ in range(MOST_AT_ONCE):
            parts: list[Callable[[], bool]] = [self.guard_process.act, self.engine_process.act, self._do_agenda]
            if self.draw.random() < 0.5:
                parts.reverse()
            acted = [part() for part in parts]
            self.watch.look(acted=self.guard_process.acted)
            self.guard_process.acted = False
            if not any(acted) and self._next_s() > self.now_s:
                return
        raise Violation("time stands still: something is due for ever")

    def _do_agenda(self) -> bool:
        if not self._agenda or self._agenda[0][0] > self.now_s:
            return False
        heapq.heappop(self._agenda)[2]()
        return True

    def _next_s(self) -> float:
        stops = [self._agenda[0][0]] if self._agenda else []
        if self.guard_process.guard is not None and not self.guard_process.is_frozen:
            stops.append(self.guard_process.wake_s)
            stops += [one.to_guard.due_s for one in self.guard_process.connections.values()]
        engine = self.engine_process
        if engine.engine is not None and not engine.is_frozen:
            stops += [engine.wake_s, engine.connect_s]
            if engine.connection is not None:
                stops.append(engine.connection.to_engine.due_s)
        return min(stops)
