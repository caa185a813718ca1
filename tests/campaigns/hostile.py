"""A hostile engine: calibrations, plans and pulses drawn inside all that the protocol accepts, against the bench.

The engine knows the guard's rules, asks for the most that is admitted, and lies wherever no rule forbids it. The people
do what they say: what hangs on a line is what its operation is named after, and a jug that is confirmed stands there.
What comes out of the outlets is judged by the bench's truth alone.
"""

import traceback
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import count
from random import Random

from msgspec.structs import replace

from controller.bench.fluids import AIR, CLEANER, RINSE_WATER
from controller.bench.perfect import perfect_calibration
from controller.bench.plant import Plant
from controller.bench.truth import Truth, draw
from controller.clock import VirtualClock
from controller.guard.guard import Guard
from controller.ledger.journal import MemoryJournal
from controller.model.book import Book
from controller.model.calibration import Calibration
from controller.model.messages import (
    VERSION,
    Acknowledge,
    Admitted,
    AskReport,
    Assign,
    Command,
    ConfirmJug,
    Ended,
    Event,
    Heartbeat,
    Hello,
    Refusal,
    Report,
    Start,
    Stop,
    TakeCalibration,
    Unhold,
)
from controller.model.plan import Operation, PlannedRun, Segment
from controller.model.profile import FlowBand, Profile
from controller.model.states import Contents, OperationKind
from controller.safety import admission
from controller.safety.contents import ALLOWED
from tests.campaigns.board import Failures, PinBoard
from tests.campaigns.plot import PAIRS, files
from tests.campaigns.runs import Finding
from tests.campaigns.table import Table
from tests.campaigns.violation import Violation

OPERATIONS = 14  # in one run
BEAT_S, POLL_S = 0.4, 0.24  # as rarely as the guard allows
DRAWN_TRUTHS = 10_000
TRIES = 14  # to find the most that is admitted
K = OperationKind
KINDS = (K.SERVE, K.TRIAL, K.JOG, K.PRIME, K.PURGE, K.CLEAN, K.RINSE)
NEXT = {Contents.UNKNOWN: K.PURGE, Contents.CLEANER: K.RINSE, Contents.RINSE_WATER: K.PRIME}
HANGS = {K.PURGE: AIR, K.CLEAN: CLEANER, K.RINSE: RINSE_WATER}


@dataclass(frozen=True, kw_only=True)
class Scene:
    """One run's machine, and how true what its profile states is drawn."""

    profile: Profile
    book: Book
    truth: Truth


def draw_scene(rng: Random) -> Scene:
    """A machine whose pumps lie inside the bands that its profile states, some of them narrow, some as bought."""
    machine, book = files(*rng.choice(PAIRS))
    truth = draw(machine, book, rng.randrange(DRAWN_TRUTHS))
    room = rng.choice((0.02, 0.05, 0.1, 0.25))
    lines = []
    for line in machine.lines:
        flows = [perfect_calibration(truth, line.line, fluid) for fluid in truth.fluids]
        least = min(one.flow_ml_s * (1 - one.sag_per_a * machine.caps.current_a) for one in flows)
        most = max(one.flow_ml_s for one in flows)
        band = FlowBand(least_ml_s=least * (1 - room * rng.random()), most_ml_s=most * (1 + room * rng.random()))
        lines.append(replace(line, flow=band if rng.random() < 0.8 else line.flow))
    glass = machine.inputs.glass if rng.random() < 0.7 else None
    caps = machine.caps
    if rng.random() < 0.7:
        caps = replace(
            caps,
            serving_volume_ml=rng.uniform(40, 350),
            serving_ethanol_g=rng.uniform(2, 20),
            hour_ethanol_g=rng.uniform(8, 60),
            line_volume_ml=rng.uniform(60, 150),
            flow_ml_s=rng.uniform(8, 35),
            jog_s=rng.uniform(0.3, 3.0),
        )
    hygiene = replace(machine.hygiene, cleaner_contact_s=1.0, jug_ml=rng.uniform(150, 2000))
    inputs = replace(machine.inputs, glass=glass, levels=(), drip_tray=None)
    profile = replace(machine, lines=tuple(lines), inputs=inputs, caps=caps, hygiene=hygiene)
    return Scene(profile=profile, book=book, truth=truth)


@dataclass
class Stage:
    """The guard on the bench, and an engine that says what the script wants."""

    scene: Scene
    rng: Random
    clock: VirtualClock = field(default_factory=lambda: VirtualClock(now_s=1000.0, wall_s=1_789_000_000.0))
    events: list[Event] = field(default_factory=list)
    story: list[str] = field(default_factory=list)
    admitted: int = 0

    def __post_init__(self) -> None:
        scene = self.scene
        self.plant = Plant(scene.profile, scene.book, clock=self.clock, truth=scene.truth)
        self.table = Table(scene.profile, scene.book, self.plant, self.clock)
        self.journal, self._lives, self.ids = MemoryJournal(), count(), count(1)
        self.start_guard()

    def tell(self, text: str) -> None:
        """Add to the story."""
        self.story.append(f"{self.clock.now_s() - 1000.0:10.3f}  {text}")

    def start_guard(self) -> None:
        """A guard takes the pins, as after the death of the one before."""
        name = f"guard {next(self._lives)}"
        self.plant.leave(f"guard {int(name[6:]) - 1}")
        profile = self.scene.profile
        board = PinBoard(profile, self.plant, name, Failures())
        self.guard = Guard(
            profile, self.scene.book, board, self.journal, self.clock, self._publish, boot="b", poll_under_way_s=POLL_S
        )
        self.run(1.0, beat=False)
        self.say(Hello(version=VERSION, role="engine"))
        fault = self.report().fault
        if fault is not None:
            self.say(Acknowledge(cause=fault))
        self.run(0.5)

    def _publish(self, _client: str | None, event: Event) -> None:
        self.events.append(event)
        if isinstance(event, Admitted):
            self.admitted += 1

    def say(self, command: Command) -> list[Event]:
        """What the guard answers."""
        before = len(self.events)
        self.guard.handle("engine", command)
        return self.events[before:]

    def run(self, seconds: float, *, beat: bool = True) -> None:
        """Let time pass; the table is watched at every step."""
        end_s = self.clock.now_s() + seconds
        while True:
            if beat:
                self.guard.handle("engine", Heartbeat())
            due_s = min(self.guard.tick(), self.clock.now_s() + BEAT_S, end_s)
            self.table.look()
            if self.clock.now_s() >= end_s:
                return
            self.clock.move_to(max(due_s, self.clock.now_s() + 1e-6))

    def would_refuse(self, operation: Operation) -> bool:
        """Whether the guard would refuse it now, by its own rules."""
        core = self.guard.core
        return bool(admission.start(operation, core._machine.situation(core._inputs)))

    def report(self) -> Report:
        """What the guard believes."""
        return next(one for one in self.say(AskReport()) if isinstance(one, Report))

    @property
    def is_under_way(self) -> bool:
        """Whether the guard has an operation."""
        return self.guard.core.is_under_way


class Enemy:
    """Draws what the engine says."""

    def __init__(self, stage: Stage) -> None:
        self._stage, self._rng = stage, stage.rng
        self._profile, self._book = stage.scene.profile, stage.scene.book
        self._liquids = {on.line: on.liquid for on in self._book.lines}
        self._in_air, self._pause_s = True, 0.0
        self._rest_of: str | None = None  # a serving that is said to go on
        self._glass = self._book.glasses[0].glass

    def lie_about_pumps(self) -> None:
        """Calibrations anywhere in what the guard takes, most of them at an edge."""
        rng = self._rng
        for line, liquid in self._liquids.items():
            band, lag_s = self._profile.flow_band(line), self._profile.calibration.lag_s
            edge = rng.choice((band.least_ml_s, band.most_ml_s, rng.uniform(band.least_ml_s, band.most_ml_s)))
            sure = rng.random() < 0.7
            self._stage.say(
                TakeCalibration(
                    calibration=Calibration(
                        line=line,
                        liquid=liquid,
                        flow_ml_s=edge,
                        lag_s=rng.choice((lag_s, -lag_s, rng.uniform(-lag_s, lag_s))),
                        u_flow_ml_s=0.0 if sure else rng.uniform(0, 0.1) * edge,
                        u_lag_s=0.0 if sure else rng.uniform(0, 0.1),
                        cov_flow_lag=0.0,
                        sag_per_a=rng.choice((0.0, 0.1, rng.uniform(0, 0.1))),
                    )
                )
            )

    def ask(self) -> Operation | None:
        """The most of something that the guard admits; None when it admits none of it."""
        rng, stage = self._rng, self._stage
        contents = {one.line: one.contents for one in stage.report().lines if one.line in self._liquids}
        kind, first = self._kind(contents)
        others = [line for line, holds in contents.items() if kind in ALLOWED[holds] and line != first]
        if kind not in ALLOWED[contents[first]]:
            return None
        lines = [first, *rng.sample(others, min(len(others), 0 if kind is K.JOG else rng.choice((0, 0, 1, 2))))]
        with_jug = kind is not K.SERVE and rng.random() < (0.3 if kind in (K.TRIAL, K.JOG) else 0.97)
        jug_ml = rng.uniform(20, self._profile.hygiene.jug_ml) if with_jug else None
        pattern = [self._pulses(line, kind) for line in lines]
        self._pause_s = rng.choice((0.0, 0.02, 0.3))
        self._in_air, self._glass = rng.random() < 0.8, rng.choice(self._book.glasses).glass
        stage.table.hang(kind, lines, in_air=self._in_air)
        self._rest_of = stage.table.last_served if kind is K.SERVE and rng.random() < 0.3 else None
        if self._rest_of is None and stage.table.wants_change(kind, jug_ml):
            stage.table.take_away()
            stage.run(1.5)
            stage.table.put_there(jug_ml)
            stage.run(0.5)
        if jug_ml is not None:
            stage.say(ConfirmJug(volume_ml=jug_ml))
        lies = self._profile.inputs.glass is not None and rng.random() < 0.2  # a contact sees when a jug is gone
        operation = self._most(kind, pattern, is_jugged=with_jug or lies)
        return None if _refused(stage, operation) else operation

    def _kind(self, contents: dict[int, Contents]) -> tuple[OperationKind, int]:
        """What to ask for, and of which line first: half the time the way of a cleaned line back to a glass."""
        rng = self._rng
        cleaned = [line for line, holds in contents.items() if holds in (Contents.CLEANER, Contents.RINSE_WATER)]
        first = rng.choice(cleaned) if cleaned and rng.random() < 0.6 else rng.choice(sorted(contents))
        if rng.random() < 0.3:
            return rng.choices(KINDS, (4, 3, 2, 3, 1, 4, 3))[0], first
        if contents[first] is Contents.EMPTY:
            return rng.choice((K.PRIME, K.CLEAN)), first
        return NEXT.get(contents[first], rng.choice((K.SERVE, K.TRIAL))), first

    def _most(self, kind: OperationKind, pattern: list[list[tuple[int, float]]], *, is_jugged: bool) -> Operation:
        """The longest pulses of this pattern that will be admitted; the engine may ask as often as it likes."""
        low, high = 0.0, 2.0
        best = self._operation(kind, pattern, self._rng.random(), is_jugged=is_jugged)
        for _ in range(TRIES):
            share = (low + high) / 2
            tried = self._operation(kind, pattern, share, is_jugged=is_jugged)
            if self._stage.would_refuse(tried):
                high = share
            else:
                low, best = share, tried
        return best

    def _pulses(self, line: int, kind: OperationKind) -> list[tuple[int, float]]:
        """One line's pulses: many short ones, few long ones, or one."""
        rng = self._rng
        number = 1 if kind is K.JOG else rng.choice((1, 1, 2, 5, 20, 60))
        longest_s = rng.choice((0.01, 0.05, 0.12, 0.6, 1.0)) if number > 5 else rng.uniform(0.5, 60.0)
        return [(line, longest_s * rng.uniform(0.8, 1.0)) for _ in range(number)]

    def _operation(
        self, kind: OperationKind, pattern: list[list[tuple[int, float]]], share: float, *, is_jugged: bool
    ) -> Operation:
        """The pulses, each so much shorter, as close together as starts may be."""
        runs: list[PlannedRun] = []
        at_s, free_s = 0.0, dict[int, float]()
        for line, on_s in _in_turn(pattern):
            start_s = max(at_s, free_s.get(line, 0.0) + self._pause_s)
            runs.append(
                PlannedRun(
                    line=line,
                    liquid=HANGS.get(kind, self._liquids[line]),
                    start_s=start_s,
                    duration_s=max(1e-3, on_s * share),
                    volume_ml=0.1,
                )
            )
            at_s, free_s[line] = start_s + self._profile.caps.start_gap_s, start_s + on_s * share
        return Operation(
            operation=f"o{next(self._stage.ids)}",
            kind=kind,
            segments=(Segment(runs=tuple(runs)),),
            glass=self._glass,
            jug=is_jugged,
            in_air=self._in_air,
            empty_glass=kind is K.SERVE,
            rest_of=self._rest_of,
        )


def _in_turn(pattern: list[list[tuple[int, float]]]) -> Iterator[tuple[int, float]]:
    for place in range(max(map(len, pattern))):
        for pulses in pattern:
            if place < len(pulses):
                yield pulses[place]


def _refused(stage: Stage, operation: Operation) -> bool:
    """Ask for it; whether the guard refused. What it admits begins."""
    stage.table.asked()
    rules = [one.rule for one in stage.say(Start(operation=operation)) if isinstance(one, Refusal)]
    on_s = sum(run.duration_s for run in operation.segments[0].runs)
    stage.tell(f"{operation.kind} of {on_s:.2f} s, jug {operation.jug}: {', '.join(rules) or 'admitted'}")
    return bool(rules)


def _play(stage: Stage) -> None:
    rng, enemy = stage.rng, Enemy(stage)
    for _ in range(OPERATIONS):
        if rng.random() < 0.5:
            enemy.lie_about_pumps()
        operation = enemy.ask()
        if operation is None:
            continue
        longest_s = max(run.start_s + run.duration_s for run in operation.segments[0].runs)
        way = rng.random()
        if way < 0.15:
            stage.run(longest_s * rng.random())
            stage.say(Stop())
        elif way < 0.25:
            stage.run(longest_s * rng.random())
            stage.tell("the guard is killed")
            stage.start_guard()
        elif way < 0.45 and operation.kind is K.SERVE and stage.scene.profile.inputs.glass is not None:
            _interrupt(stage, operation, longest_s)
        while stage.is_under_way:
            stage.run(1.0)
        stage.run(1.0)
        stage.table.judge(operation)
        stage.run(rng.choice((0.5, 3.0, 3.0, 20.0)))


def _interrupt(stage: Stage, operation: Operation, longest_s: float) -> None:
    """The glass is lifted and set down again, and the engine asks for more than was left."""
    stage.run(longest_s * stage.rng.random())
    stage.plant.lift_glass()
    stage.run(stage.rng.uniform(0.3, 3.0))
    stage.plant.place_glass()
    stage.run(0.5)
    runs = operation.segments[0].runs
    for share in (2.0, 1.0, 0.6, 0.3, 0.1):
        rest = tuple(replace(run, duration_s=run.duration_s * share) for run in runs)
        answers = stage.say(Unhold(operation=operation.operation, runs=rest))
        if not any(isinstance(one, Refusal) for one in answers):
            return
    stage.say(Stop())


def play_hostile(seed: int) -> Finding:
    """Play the run of this seed."""
    rng = Random(f"hostile {seed}")
    stage, text = None, ""
    try:
        stage = Stage(draw_scene(rng), rng)
        for on in stage.scene.book.lines:
            stage.say(Assign(line=on.line, liquid=on.liquid))
        _play(stage)
    except Violation as violation:
        text = str(violation)
    except Exception:  # whatever breaks is a finding, told with its seed
        text = traceback.format_exc()
    ended = [one for one in stage.events if isinstance(one, Ended)] if stage else []
    return Finding(
        seed=seed,
        text=text,
        story=tuple(stage.story) if stage else (),
        admitted=len(ended),
        seconds=stage.clock.now_s() - 1000.0 if stage else 0.0,
    )
