"""A machine in use, and what the guard's own code sees of its servings on the load cell.

Its tubes are 4 % worn since they were calibrated, its motors warm up, soda is freshly carbonated, people knock against
it and its pumps shake it. What the guard knows of its flows is what the guard's own estimator has learned from a few
servings. Channels are switched as the guard would, and every reading goes to the guard's own code.
"""

from collections.abc import Callable, Iterable
from copy import deepcopy
from dataclasses import dataclass
from functools import partial
from random import Random

from msgspec.structs import replace

from controller.bench.cell_truth import CELL_EFFECTS
from controller.bench.faults import InjectedFault
from controller.bench.plant import Plant
from controller.clock import VirtualClock
from controller.model.scale import Scale
from controller.safety.flow_watch import FlowWatch, Shortfall
from controller.safety.inflow import Flows
from controller.safety.suspects import Search
from controller.safety.weigher import density_g_ml
from tests.shipped import shipped

PROFILE, BOOK = shipped("bench_six_line", "orchard_fete")
LINES = tuple(line.line for line in PROFILE.lines)
GAP_S, PHASE_S = 0.3, 1.0  # between two starts; between two phases
FAST_ML_S, SLOW_ML_S = 4.5, 1.5  # nominal; the bench draws each pump up to 15 % off
WORN, U_CALIBRATED = 0.04, 0.005  # tubes since they were calibrated; a careful calibration
LEARNED_FROM = 6  # servings
IDLE_S = (10.0, 600.0)  # between servings; common practice, no source
PLENTY_ML = 50_000.0
Act = Callable[[], None]
Read = Callable[[float, float], bool | None]


class Machine:
    """A primed machine with an empty glass on its scale; time passes reading by reading."""

    def __init__(self, rng: Random, rate: int, *, slow: bool = False) -> None:
        self.rng, self.rate, self.slow = rng, rate, slow
        flow_ml_s = SLOW_ML_S if slow else FAST_ML_S
        lines = tuple(
            replace(one, flow=None, pump=replace(one.pump, nominal_flow_ml_s=flow_ml_s)) for one in PROFILE.lines
        )
        scale = Scale(converter="bench", capacity_g=5000.0, readings_per_s=rate)
        profile = replace(PROFILE, lines=lines, scale=scale)
        self.clock = VirtualClock(0.0)
        self.plant = Plant(
            profile,
            BOOK,
            clock=self.clock,
            seed=rng.randrange(10**9),
            effects=("warming", "gas"),
            cell=CELL_EFFECTS,
        )
        self._rows = {row.line: row for row in profile.output_table if row.line is not None}
        for row in profile.output_table:
            self.plant.claim_output(row.gpio, row.safe_level)
        self._cell = self.plant.truth.cell
        self._after = -1
        self._prime()
        self.flows = self._calibrated()
        for line in LINES:
            self.wear(line, WORN)

    def _prime(self) -> None:
        for one in BOOK.lines:
            self.plant.hang(one.line, one.liquid, PLENTY_ML)
        for line in LINES:
            self.switch(line, on=True)
        self.clock.move_to(40.0 if self.slow else 15.0)
        for line in LINES:
            self.switch(line, on=False)
        self.clock.move_to(50.0)
        self.plant.place_glass(BOOK.glasses[0].glass, brim_ml=1000.0)
        self.clear_up()

    def _calibrated(self) -> Flows:
        """By a careful calibration, in grams as the guard reckons them."""
        found, liquids = {}, {one.liquid: one for one in BOOK.liquids}
        for one in self.plant.truth_report():
            flow_ml_s = one.flow_ml_s * self.rng.gauss(1.0, U_CALIBRATED)
            found[one.line] = flow_ml_s * density_g_ml(liquids[one.liquid])
        return Flows(found, frozenset(one.line for one in BOOK.lines if liquids[one.liquid].carbonated))

    def wear(self, line: int, share: float) -> None:
        self.plant.inject(InjectedFault(kind="tube worn", line=line, amount=share))

    def switch(self, line: int, *, on: bool) -> None:
        row = self._rows[line]
        self.plant.set_pin(row.gpio, row.safe_level != on)

    def pass_time(self, seconds: float, read: Read) -> None:
        """Let time pass; every reading goes to `read`, which may end it early by True."""
        cell, end_s = self._cell, self.clock.now_s() + seconds
        assert cell is not None
        while self.clock.now_s() < end_s:
            self.clock.move_to(min(end_s, self.clock.now_s() + 1.0 / self.rate))
            for one in self.plant.conversions(self._after):
                self._after = one.number
                if read(one.at_s, (one.counts - cell.zero_counts) / cell.counts_per_g):
                    return

    def clear_up(self) -> None:
        """The glass is emptied, and some time passes until the next one is called for."""
        self.plant.empty_glass()
        self.clock.move_to(self.clock.now_s() + self.rng.uniform(*IDLE_S))
        self.pass_time(2.0, lambda at_s, load_g: None)

    def some_lines(self, least: int) -> list[int]:
        return self.rng.sample(LINES, self.rng.randint(least, 4))

    def learn(self) -> "Machine":
        """A few good servings, in which every line pours at least once."""
        poured: set[int] = set()
        for k in range(LEARNED_FROM):
            unseen = [line for line in LINES if line not in poured]
            lines = unseen[:4] if k == LEARNED_FROM - 1 and unseen else self.some_lines(2)
            poured.update(lines)
            Pour(self, self.served(lines)).run()
            self.clear_up()
        return self

    def served(self, lines: list[int], least_s: float = 5.0, most_s: float = 9.0) -> "list[Run]":
        """Runs of these lines that start GAP_S apart, each so long."""
        runs = []
        for k, line in enumerate(lines):
            start_s = GAP_S * k
            runs.append(Run(line, start_s, max(start_s, GAP_S) + self.rng.uniform(least_s, most_s)))
        return runs

    def in_fault(self, lines: list[int], fault: InjectedFault, at_s: float, least_s: float) -> "Found":
        """A serving in which something fails at at_s; afterwards all is as it was before, what was learned too."""
        learned = deepcopy(self.flows)
        pour = Pour(self, self.served(lines, least_s, least_s + 4.0))
        if at_s > 0:
            pour.at(at_s, lambda: self.plant.inject(fault))
        else:
            self.plant.inject(fault)
        found = pour.run()
        self.plant.clear(fault)
        for line in LINES:
            self.wear(line, WORN)
        self.flows = learned
        self.clear_up()
        return found


@dataclass(frozen=True)
class Run:
    """One line on, in s after the first start."""

    line: int
    start_s: float
    end_s: float


@dataclass
class Found:
    """What was seen of one serving."""

    at_s: float | None = None  # when liquid was found missing, after the first start
    line: int | None = None  # that was named
    named_s: float | None = None  # after the stop


class Pour:
    """A serving of these runs; from a find on, suspects run alone."""

    def __init__(self, machine: Machine, runs: Iterable[Run]) -> None:
        self.machine, self.watch = machine, FlowWatch(machine.flows, machine.rate)
        self.begin_s = machine.clock.now_s() + 0.4
        self.ends_s: dict[int, float] = {}
        self.todo: list[tuple[float, Act]] = []
        for run in runs:
            self.ends_s[run.line] = self.begin_s + run.end_s
            self.at(run.start_s, partial(self._switch, run.line, on=True))
            self.at(run.end_s, partial(self._switch, run.line, on=False))
        self.on: set[int] = set()
        self.shortfall: Shortfall | None = None

    def at(self, after_s: float, act: Act) -> None:
        """Have something happen so long after the first start."""
        self.todo.append((self.begin_s + after_s, act))

    def run(self) -> Found:
        """To its end, or to the find."""
        for at_s, act in sorted(self.todo, key=lambda one: one[0]):
            self.machine.pass_time(at_s - self.machine.clock.now_s(), self._read)
            if self.shortfall is not None:
                return self._look(self.machine.clock.now_s() - self.begin_s)
            act()
        return Found()

    def _read(self, at_s: float, load_g: float) -> bool:
        self.shortfall = self.watch.read(at_s, load_g)
        return self.shortfall is not None

    def _switch(self, line: int, *, on: bool) -> None:
        self.machine.switch(line, on=on)
        self.watch.switched(line, on, self.machine.clock.now_s())
        (self.on.add if on else self.on.discard)(line)

    def _look(self, found_s: float) -> Found:
        assert self.shortfall is not None
        machine, suspects = self.machine, self.shortfall.suspects
        now_s = machine.clock.now_s()
        for line in self.on:
            machine.switch(line, on=False)
        if self.shortfall.is_named:
            return Found(at_s=found_s, line=suspects[0], named_s=0.0)
        search = Search(suspects, {line: self.ends_s[line] - now_s for line in self.on}, machine.flows, now_s)

        def weigh(at_s: float, load_g: float) -> bool:
            search.read(at_s, load_g)
            return search.is_over

        for trial in search.trials:
            if not search.is_over:
                machine.pass_time(trial.start_s - machine.clock.now_s(), weigh)
            if not search.is_over:
                machine.switch(trial.line, on=True)
                machine.pass_time(trial.on_s, weigh)
                machine.switch(trial.line, on=False)
        if not search.is_over:
            machine.pass_time(1.0, weigh)
        return Found(at_s=found_s, line=search.line, named_s=machine.clock.now_s() - now_s)
