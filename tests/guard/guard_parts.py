"""A small orchard-fete machine, a board that records every level, and a loop in virtual time."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Literal, Self, TypeVar

import msgspec
from msgspec.structs import replace

from controller.clock import Clock, VirtualClock
from controller.errors import BoardError
from controller.guard.guard import Guard
from controller.hal.board import Board
from controller.ledger.journal import Journal, MemoryJournal
from controller.model.book import Book, Dose, Glass, Liquid, OnLine, Phase, Recipe
from controller.model.messages import (
    Admitted,
    AskReport,
    Command,
    ConfirmJug,
    Event,
    Heartbeat,
    Hello,
    Refusal,
    Report,
    Start,
    TakeBook,
)
from controller.model.plan import Operation, PlannedRun, Segment
from controller.model.profile import (
    BoardSpec,
    Caps,
    FlowBand,
    Funnel,
    Line,
    Profile,
    Pump,
    RelayBoard,
    Supply,
    Tube,
    Wire,
)
from controller.model.states import MachineState, OperationKind
from controller.model.wiring import GlassContact, Inputs, LevelSwitch, StopContact, TrayContact
from controller.safety.records import Stamped

Kind = TypeVar("Kind", bound=Event)
Role = Literal["engine", "observer"]

CAPS = Caps(
    serving_volume_ml=400,
    serving_time_s=120,
    run_on_s=90,
    operation_on_s=100,
    duty_fraction=0.5,
    duty_window_s=1200,
    current_a=3.0,
    flow_ml_s=10,
    concurrent=4,
    start_gap_s=0.1,
    line_volume_ml=100,
    jog_s=1,
    serving_ethanol_g=20,
    hour_ethanol_g=60,
    hour_servings=30,
    serving_pause_s=2,
    held_s=60,
)

BOOK = Book(
    title="orchard fete",
    liquids=(
        Liquid(liquid="apple juice", density_kg_m3=1045),
        Liquid(liquid="ginger syrup", brix=60),
        Liquid(liquid="cold tea", density_kg_m3=1000, allergens=("milk",)),
        Liquid(liquid="sloe gin", abv_percent=26),
    ),
    glasses=(Glass(glass="tumbler", brim_ml=300, usable_ml=250),),
    recipes=(
        Recipe(
            recipe="orchard fizz", glass="tumbler", phases=(Phase(doses=(Dose(liquid="apple juice", volume_ml=50),)),)
        ),
    ),
    lines=(
        OnLine(line=1, liquid="apple juice", container_ml=5000),
        OnLine(line=2, liquid="ginger syrup", container_ml=1000),
        OnLine(line=3, liquid="cold tea", container_ml=5000),
        OnLine(line=4, liquid="sloe gin", container_ml=700),
    ),
)


def line(number: int) -> Line:
    """Pump 2 mL/s, as bought 1.5 to 2.5, 0.5 A, inrush 1.5 A for 0.1 s; the tube holds pi/4 * 4^2 * 1.0 = 12.57 mL."""
    return Line(
        line=number,
        gpio=number + 1,
        channel=number,
        pump=Pump(nominal_flow_ml_s=2, run_a=0.5, inrush_a=1.5, inrush_s=0.1, rotation="clockwise", coast_s=0),
        tube=Tube(bore_mm=4, suction_m=0.6, delivery_m=0.4, lift_m=0.2),
        wire=Wire(section_mm2=0.5, length_m=1),
    )


def profile(caps: Caps = CAPS, **inputs: object) -> Profile:
    """Four lines, a stop contact, and what is asked for besides."""
    return Profile(
        machine="orchard fete",
        board=BoardSpec(backend="bench", load_a=0.6, load_v=5),
        supply=Supply(
            voltage_v=12,
            rated_a=5,
            continuous_fraction=0.8,
            source_ohm=0.05,
            feed=Wire(section_mm2=1.5, length_m=1),
            step_down_efficiency=0.85,
            step_down_min_v=7,
        ),
        relay_board=RelayBoard(channels=8, active_level="low", operate_s=0.010, release_s=0.005, coil_a=0.07, coil_v=5),
        lines=tuple(line(number) for number in (1, 2, 3, 4)),
        inputs=replace(Inputs(stop=StopContact(gpio=17, contact="normally_closed")), **inputs),
        funnel=Funnel(drain_ml_s=20, capacity_ml=100, settle_s=0.5),
        caps=caps,
    )


def exact(machine: Profile) -> Profile:
    """The same machine with pumps that are known to move 2 mL/s, no more and no less."""
    band = FlowBand(least_ml_s=2, most_ml_s=2)
    return replace(machine, lines=tuple(replace(line, flow=band) for line in machine.lines))


GLASS = GlassContact(gpio=18, contact="normally_open")
TRAY = TrayContact(gpio=19, contact="normally_open")
LEVEL_1 = LevelSwitch(line=1, gpio=20, contact="normally_open")


@dataclass
class FakeBoard:
    """Records every level; contacts are set by hand."""

    clock: Clock
    contacts: dict[str, bool] = field(default_factory=lambda: {"stop": True})
    on: set[int] = field(default_factory=set)
    trace: list[tuple[float, int, bool]] = field(default_factory=list)
    broken: set[int] = field(default_factory=set)
    unreadable: bool = False
    all_offs: int = 0
    feed_trace: list[tuple[float, bool]] = field(default_factory=list)

    def switch(self, line: int, *, on: bool) -> None:
        if line in self.broken:
            raise BoardError(f"line {line} does not obey")
        self.trace.append((self.clock.now_s(), line, on))
        (self.on.add if on else self.on.discard)(line)

    def feed(self, *, on: bool) -> None:
        self.feed_trace.append((self.clock.now_s(), on))

    def signal(self, name: str, *, on: bool) -> None:
        raise AssertionError(f"this machine has no {name}")

    def all_off(self) -> list[BoardError]:
        self.all_offs += 1
        for number in sorted(self.on - self.broken):
            self.trace.append((self.clock.now_s(), number, False))
        self.on &= self.broken
        return [BoardError(f"line {number} does not obey") for number in sorted(self.broken)]

    def read(self) -> dict[str, bool]:
        if self.unreadable:
            raise BoardError("contacts cannot be read")
        return dict(self.contacts)

    def close(self) -> None:
        self.all_off()


def records(journal: MemoryJournal) -> list[Stamped]:
    """Everything in a journal, oldest first."""
    return [one for entry in journal.entries for one in msgspec.json.decode(entry.body, type=list[Stamped])]


class Rig:
    """Guard, board and journal on a virtual clock; `run` lets time pass with a living engine."""

    def __init__(
        self,
        machine: Profile | None = None,
        journal: Journal | None = None,
        *,
        book: Book = BOOK,
        clock: VirtualClock | None = None,
        board: Board | None = None,
    ) -> None:
        self.clock = clock or VirtualClock(now_s=1000.0)
        self.machine, self.book = machine or profile(), book
        self.wired: Board = board or FakeBoard(self.clock)
        self.kept: Journal = journal or MemoryJournal()
        self.events: list[tuple[str | None, Event]] = []
        self.boot = "b1"
        self.is_watched: Callable[[], bool] | None = None
        self.read_book: Callable[[], None] | None = None
        self.start_guard()

    @property
    def board(self) -> FakeBoard:
        """The board, where no other one was given."""
        assert isinstance(self.wired, FakeBoard)
        return self.wired

    @property
    def journal(self) -> MemoryJournal:
        """The journal, where it is not kept in files."""
        assert isinstance(self.kept, MemoryJournal)
        return self.kept

    def start_guard(self) -> None:
        self.guard = Guard(
            self.machine,
            self.book,
            self.wired,
            self.kept,
            self.clock,
            self._publish,
            boot=self.boot,
            is_watched=self.is_watched,
            read_book=self.read_book,
        )

    def _publish(self, client: str | None, event: Event) -> None:
        self.events.append((client, event))

    def say(self, command: Command, client: str = "engine") -> list[Event]:
        """Send one command; the events that it caused. Who pours into a jug confirms it first."""
        if isinstance(command, Start) and command.operation.jug:
            self.guard.handle(client, ConfirmJug(volume_ml=self.machine.hygiene.jug_ml))
        before = len(self.events)
        self.guard.handle(client, command)
        return [event for _, event in self.events[before:]]

    def run(self, seconds: float, *, beat: bool = True) -> list[Event]:
        """Let time pass; the events meanwhile."""
        before, end_s = len(self.events), self.clock.now_s() + seconds
        next_beat_s = self.clock.now_s()
        while True:
            if beat and self.clock.now_s() >= next_beat_s:
                self.guard.handle("engine", Heartbeat())
                next_beat_s = self.clock.now_s() + 0.1
            deadline_s = self.guard.tick()
            stops = [end_s, deadline_s, next_beat_s] if beat else [end_s, deadline_s]
            if self.clock.now_s() >= end_s:
                return [event for _, event in self.events[before:]]
            assert deadline_s > self.clock.now_s(), "the guard asks to be called in the past"
            self.clock.move_to(max(self.clock.now_s(), min(stops)))  # a slow card has moved it already

    def ready(self) -> Self:
        """An idle machine with the engine connected."""
        self.run(0.5, beat=False)
        self.say(Hello(version=1, role="engine"))
        return self

    def primed(self, *lines: int) -> Self:
        """These lines filled with their liquids."""
        self.ready()
        names = {on.line: on.liquid for on in self.book.lines}
        for number in lines:
            self.say(Start(operation=prime(number, names[number])))
            self.run(25)
        return self

    def of(self, kind: type[Kind]) -> list[Kind]:
        """All events of one kind so far."""
        return [event for _, event in self.events if isinstance(event, kind)]

    def report(self) -> Report:
        """What the guard reports when it is asked."""
        report = self.say(AskReport())[-1]
        assert isinstance(report, Report)
        return report

    def hello(self) -> tuple[Report, list[Event]]:
        """An engine connects: what is reported to it, and what it is told besides."""
        report, *rest = self.say(Hello(version=1, role="engine"))
        assert isinstance(report, Report), report
        return report, rest

    def refused(self, command: Command, client: str = "engine") -> Refusal:
        """The last refusal of a command that must be refused."""
        refusal = self.say(command, client)[-1]
        assert isinstance(refusal, Refusal), refusal
        return refusal


class Reading(Rig):
    """A guard that is asked to read its book; what comes of it is said by the test."""

    def start_guard(self) -> None:
        self.readings = 0
        self.guard = Guard(
            self.machine,
            self.book,
            self.wired,
            self.kept,
            self.clock,
            self._publish,
            boot=self.boot,
            read_book=self._begin,
        )

    def _begin(self) -> None:
        self.readings += 1

    def read(self, book: Book | None, problem: str = "") -> list[Event]:
        """What the guard finds in its file; the events that it causes."""
        before = len(self.events)
        self.guard.book_read(book, problem)
        return [event for _, event in self.events[before:]]

    def reload(self, book: Book, *larger_glasses: str) -> list[Event]:
        """The file has this book now, and the engine asks for it."""
        self.say(TakeBook(mark=book.mark, larger_glasses=larger_glasses))
        self.book = book
        return self.read(book)


def only(events: Iterable[Event], kind: type[Kind]) -> Kind:
    """The one event that there is, which must be of this kind."""
    (event,) = events
    assert isinstance(event, kind), event
    return event


def admitted(events: list[Event]) -> list[str]:
    return [event.operation for event in events if isinstance(event, Admitted)]


def run_of(number: int, liquid: str, start_s: float, duration_s: float) -> PlannedRun:
    return PlannedRun(line=number, liquid=liquid, start_s=start_s, duration_s=duration_s, volume_ml=2 * duration_s)


def prime(number: int, liquid: str, seconds: float = 20, name: str | None = None) -> Operation:
    return Operation(
        operation=name or f"prime-{number}",
        kind=OperationKind.PRIME,
        segments=(Segment(runs=(run_of(number, liquid, 0, seconds),)),),
        jug=True,
    )


def serve(*runs: PlannedRun, name: str = "s1", glass: str = "tumbler") -> Operation:
    return Operation(
        operation=name,
        kind=OperationKind.SERVE,
        segments=(Segment(runs=tuple(runs)),),
        recipe="orchard fizz",
        glass=glass,
        empty_glass=True,
    )


def another_glass(rig: Rig) -> None:
    """The glass is taken, and another set down."""
    rig.board.contacts["glass"] = False
    rig.run(1.2)
    rig.board.contacts["glass"] = True
    rig.run(1.0)


JUICE_10_S = serve(run_of(1, "apple juice", 0, 10))


def with_caps(**caps: float) -> Profile:
    return profile(replace(CAPS, **caps))


def last_off_s(rig: Rig) -> float:
    assert rig.board.on == set()
    return max(at_s for at_s, _, is_on in rig.board.trace if not is_on)


def state(rig: Rig) -> MachineState:
    return rig.report().state


def pouring(rig: Rig, seconds: float = 3.0, operation: Operation = JUICE_10_S) -> float:
    """Serving has begun and has run for some seconds; when that is."""
    rig.say(Start(operation=operation))
    rig.run(seconds)
    assert rig.board.on
    return rig.clock.now_s()
