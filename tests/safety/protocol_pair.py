"""The real guard and the real engine, made to take the steps of the protocol's model one by one."""

from collections.abc import Callable, Iterator
from itertools import pairwise
from random import Random

from controller.clock import VirtualClock
from controller.engine.engine import Engine
from controller.guard.guard import Guard
from controller.ledger.journal import MemoryJournal
from controller.ledger.store import Ledger
from controller.model.messages import (
    SILENCE_S,
    Acknowledge,
    Admitted,
    Command,
    ConfirmJug,
    Ended,
    Event,
    Heartbeat,
    Refusal,
    Report,
    Start,
    Stop,
)
from controller.model.plan import Operation, Segment
from controller.model.requests import LineRequest
from controller.model.states import OperationKind
from tests.guard.guard_parts import BOOK, FakeBoard, run_of, with_caps
from tests.safety.protocol_model import is_busy, moves, status
from tests.safety.protocol_world import END, OPERATIONS, World

# Steps that are left out of the walks: a hold needs a glass, and what the engine does by itself when it is back.
LEFT_OUT = ("glass lifted", "go on", "write going on", "disk full going on", "held for too long")
STEPS_PER_WALK = 60
POURED_S = 15.0  # longer than any of the walks' runs
KINDS = {Report: "report", Ended: "ended", Admitted: "admitted", Refusal: "refused"}


class Killed(BaseException):
    """The guard is killed here."""


class Board(FakeBoard):
    """A board at which the guard may be killed before it switches a channel on."""

    kill: bool = False

    def switch(self, line: int, *, on: bool) -> None:
        """Switch, or die as planned."""
        if on and self.kill:
            raise Killed
        super().switch(line, on=on)


class Journal(MemoryJournal):
    """A journal at which the guard may be killed, before or after it has written."""

    kill: str = ""

    def append(self, body: bytes) -> None:
        """Write, and die as planned."""
        kill, self.kill = self.kill, ""
        if kill == "before":
            raise Killed
        super().append(body)
        if kill == "after":
            raise Killed


def walk(seed: int) -> Iterator[tuple[tuple[str, ...], World]]:
    """A random way through the model: steps that the guard takes in one go together, and where they lead."""
    draw, world = Random(seed), World()
    names: list[str] = []
    for _ in range(STEPS_PER_WALK):
        steps = [(name, after) for name, after in moves(world) if name not in LEFT_OUT]
        if is_busy(world):  # whatever else happens meanwhile, the guard does not see it
            steps = [one for one in steps if one[0].startswith(("write", "switch", "silence", "disk", "guard killed"))]
        name, world = draw.choices(steps, [_weight(name) for name, _ in steps])[0]
        names.append(name)
        if not is_busy(world):
            yield tuple(names), world
            names = []


def _weight(name: str) -> int:
    """Accidents less often than they could be, so that walks get somewhere."""
    if name == "fault":
        return 1
    return 2 if name.startswith(("guard killed", "engine killed", "connection", "ask to stop", "disk")) else 8


class Pair:
    """Both, with a wire between them that the model moves."""

    def __init__(self) -> None:
        self.clock = VirtualClock(now_s=1000.0)
        self.board = Board(self.clock)
        self.journal = Journal()
        self.ledger = Ledger(":memory:")
        self.machine = with_caps()
        self.guard: Guard | None = None
        self.engine: Engine | None = None
        self.to_guard: list[Command | None] = []
        self.to_engine: list[Event | None] = []
        self.is_broken = False
        self.name, self.next_id = "c0", ""
        self._start_guard()
        self._start_engine()

    def close(self) -> None:
        """Release the ledger."""
        self.ledger.close()

    # --- what is compared

    def seen(self) -> tuple[object, ...]:
        """What the two have come to."""
        state = None if self.guard is None else self.guard.core.state
        unfinished = None if self.guard is None else self.guard.core.memory.unfinished
        entries = [self.ledger.entry(one) for one in OPERATIONS]
        books = tuple("" if one is None else (one.outcome or "open") for one in entries)
        return (
            state,
            bool(self.board.on),
            "" if unfinished is None else unfinished.operation.operation,
            tuple("ended" if one not in ("", "open", "refused") else one for one in books),
            [kind for kind, _ in map(_kind, self.to_engine) if kind],
            len(self.to_guard),
        )

    @staticmethod
    def expected(world: World) -> tuple[object, ...]:
        """The same of the model."""
        guard = world.guard
        return (
            None if guard is None else guard.state,
            world.pins,
            "" if guard is None or guard.unwritten else world.open,
            tuple(status(world, one) for one in OPERATIONS),
            [kind for kind, _ in world.to_engine],
            len(world.to_guard),
        )

    # --- steps

    def do(self, names: tuple[str, ...]) -> None:
        """Take these steps, which are one for the guard."""
        self._plan(names)
        for name in names:
            self._step(name)
        self.journal.full, self.journal.kill, self.board.kill = False, "", False

    def _plan(self, names: tuple[str, ...]) -> None:
        """What will go wrong within the guard's next step must be known before it takes it."""
        self.journal.full = any(name.startswith("disk full") for name in names)
        self.journal.kill = "after" if names[-1].endswith("untold") else ""
        for before, name in pairwise(names):
            if name == "guard killed" and before == "write the start":
                self.board.kill = True
            elif name == "guard killed" and not before.startswith("disk full"):
                self.journal.kill = "before"

    def _step(self, name: str) -> None:
        """One step; those that need nothing done here are part of others."""
        words = name.split()
        whole: dict[str, Callable[[], object]] = {
            "connect": self._connect,
            "all poured": lambda: self._pass(POURED_S),
            "silence": lambda: self._run(self._fall_silent),
            "fault": self._press_stop,
            "driven off": self.board.all_off,
            "guard starts": self._start_guard,
            "engine starts": self._start_engine,
            "engine killed": self._kill_engine,
            "beat": lambda: self._send(self._aside(name)),
            "ask to stop": lambda: self._send(self._aside(name)),
            "acknowledge": lambda: self._send(self._aside(name)),
        }
        begun: dict[str, Callable[[], object]] = {
            "guard killed": self._kill_guard,
            "guard hears": self._guard_hears,
            "engine hears": self._engine_hears,
            "connection broken": lambda: self._break(int(words[2]), int(words[3])),
            "pour a": lambda: self._pour("a"),
            "pour b": lambda: self._pour("b"),
            "start a": lambda: self._send(self._start_of("a")),
        }
        whole.get(name, begun.get(" ".join(words[:2]), lambda: None))()

    def _fall_silent(self, guard: Guard) -> None:
        self.clock.move_to(self.clock.now_s() + SILENCE_S)
        guard.tick()

    def _aside(self, name: str) -> Command:
        if name == "beat":
            return Heartbeat()
        if name == "ask to stop":
            return Stop()
        fault = self.guard.core.memory.fault if self.guard else None
        return Acknowledge(cause=fault.cause if fault else "none")

    # --- the guard

    def _start_guard(self) -> None:
        self.guard = Guard(self.machine, BOOK, self.board, self.journal, self.clock, self._publish, boot="b")
        self._pass(0.5)

    def _kill_guard(self) -> None:
        if self.guard is None:
            return  # it was killed within the step before
        self.guard = None
        self.to_guard.clear()
        if self.engine is not None and self._is_up and not self.is_broken:
            self.to_engine.append(None)
        self.is_broken = True

    def _run(self, what: Callable[[Guard], object]) -> None:
        if self.guard is None:
            return
        try:
            what(self.guard)
        except Killed:
            self._kill_guard()

    def _pass(self, seconds: float) -> None:
        """Let time pass for the guard, with the engine's beats as if they had been sent before."""
        end_s = self.clock.now_s() + seconds

        def pass_time(guard: Guard) -> None:
            while self.clock.now_s() < end_s:
                self.clock.move_to(min(end_s, self.clock.now_s() + 0.1, max(guard.tick(), self.clock.now_s() + 1e-6)))
                guard.tick()
                if guard.core.is_under_way:
                    guard.handle(self.name, Heartbeat())

        self._run(pass_time)

    def _press_stop(self) -> None:
        self.board.contacts["stop"] = False
        self._pass(0.3)
        self.board.contacts["stop"] = True
        self._pass(0.3)

    def _guard_hears(self) -> None:
        command = self.to_guard.pop(0)
        if command is None:
            self._run(lambda guard: guard.client_gone(self.name))
        else:
            self._run(lambda guard: self._hear(guard, command))

    def _hear(self, guard: Guard, command: Command) -> None:
        """A jug stands there all the time; the model knows nothing of it."""
        if isinstance(command, Start):
            guard.handle(self.name, ConfirmJug(volume_ml=self.machine.hygiene.jug_ml))
        guard.handle(self.name, command)

    def _publish(self, _client: str | None, event: Event) -> None:
        if not self.is_broken:
            self.to_engine.append(event)

    # --- the engine and the wire

    def _start_engine(self) -> None:
        self._is_up = False
        self.engine = Engine(
            profile=self.machine,
            book=BOOK,
            ledger=self.ledger,
            clock=self.clock,
            send=self._send,
            new_id=lambda: self.next_id,
        )

    def _kill_engine(self) -> None:
        if self.guard is not None and self._is_up and not self.is_broken:
            self.to_guard.append(None)
        self.engine, self._is_up, self.is_broken = None, False, True
        self.to_engine.clear()

    def _connect(self) -> None:
        self.name = f"c{int(self.name[1:]) + 1}"
        self.to_engine.clear()  # what was told to nobody
        self.is_broken, self._is_up = False, True
        assert self.engine is not None
        self._send(self.engine.hello())

    def _break(self, kept: int, heard: int) -> None:
        self.to_guard = [*self.to_guard[:kept], None]
        self.to_engine = [*(self.to_engine if heard else []), None]
        self.is_broken = True

    def _send(self, command: Command) -> None:
        if not self.is_broken and not isinstance(command, ConfirmJug):
            self.to_guard.append(command)

    def _pour(self, operation: str) -> None:
        self.next_id = operation
        assert self.engine is not None
        self.engine.run_lines(LineRequest(kind="purge", lines=(1,), jug=True))

    def _start_of(self, operation: str) -> Command:
        runs = (run_of(1, "air", 0.0, 10.0),)
        asked = Operation(operation=operation, kind=OperationKind.PURGE, segments=(Segment(runs=runs),), jug=True)
        return Start(operation=asked)

    def _engine_hears(self) -> None:
        """Up to and with the next event that the model knows."""
        assert self.engine is not None
        while self.to_engine:
            event = self.to_engine.pop(0)
            if event is None:
                self.engine.guard_lost()
                self._is_up, self.is_broken = False, True
                self.to_engine.clear()
                return
            self.engine.on_event(event)
            if _kind(event)[0]:
                return


def _kind(event: Event | None) -> tuple[str, str]:
    """The model's word for an event; ("", "") when the model does not know it."""
    if event is None:
        return END
    return KINDS.get(type(event), ""), ""
