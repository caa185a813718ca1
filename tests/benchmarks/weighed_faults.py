"""What the guard's second pair of eyes finds on the bench's load cell, and how often it stops a good serving.

python3 tests benchmarks weighed_faults [--runs N] [--good N] [--seed S] [--rate 80]

Draws machines, servings and faults; channels are switched as the guard would, readings go to the guard's own code.
Exits non-zero when a goal is missed. The last line holds every figure.
"""

import argparse
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from random import Random

from msgspec.structs import replace

from controller.bench.cell_truth import UNDISTURBED
from controller.bench.faults import InjectedFault
from controller.bench.plant import Plant
from controller.bench.truth import draw
from controller.clock import VirtualClock
from controller.config import load
from controller.model.book import Glass
from controller.model.scale import Scale
from controller.safety.flow_watch import FlowWatch, Shortfall
from controller.safety.inflow import Flows
from controller.safety.rest_gain import RestGain
from controller.safety.standing import Standing, misfit
from controller.safety.suspects import Search

ROOT = Path(__file__).resolve().parents[2]
PROFILE, BOOK, _ = load(ROOT / "hardware_profiles" / "bench_six_line.yaml", ROOT / "demo" / "orchard_fete.yaml")
LINES = tuple(line.line for line in PROFILE.lines)
GAP_S = 0.3  # between two starts
SLOW_ML_S = 1.5
U_FLOW = 0.01  # by which a learned flow may be off
WITH_SLOW = 0.2  # of good servings
WITH_HAND = 0.3  # of good servings; common practice, no source
GAIN_ML, SIPHON_ML_S = 5.0, (0.7, 4.0)  # what comes at rest, and how fast; common practice, no source
U_GLASS_G = 3.0  # by which glasses of one kind differ; common practice, no source
KNOCK_G, HAND_G = (2.0, 60.0), (50.0, 800.0)  # of people; common practice, no source


class Desk:
    """A primed machine with an empty glass on its scale; time passes reading by reading."""

    def __init__(self, rng: Random, rate: int, *, slow: bool = False) -> None:
        self.rng, self.rate = rng, rate
        flow_ml_s = SLOW_ML_S if slow else 4.5
        lines = tuple(
            replace(one, flow=None, pump=replace(one.pump, nominal_flow_ml_s=flow_ml_s)) for one in PROFILE.lines
        )
        scale = Scale(converter="bench", capacity_g=5000.0, readings_per_s=rate)
        profile = replace(PROFILE, lines=lines, scale=scale)
        self.clock = VirtualClock(0.0)
        seed = rng.randrange(10**9)
        self.plant = Plant(
            profile, BOOK, clock=self.clock, seed=seed, truth=draw(profile, BOOK, seed, cell=UNDISTURBED)
        )
        self._rows = {row.line: row for row in profile.output_table if row.line is not None}
        for row in profile.output_table:
            self.plant.claim_output(row.gpio, row.safe_level)
        self._cell = self.plant.truth.cell
        self._after = -1
        self.clock.move_to(1.0)
        self.plant.place_glass(BOOK.glasses[0].glass)
        for line in LINES:
            self.switch(line, on=True)
        self.clock.move_to(40.0 if slow else 15.0)
        for line in LINES:
            self.switch(line, on=False)
        self.clock.move_to(50.0)
        self.plant.empty_glass()
        self.pass_time(2.0, lambda at_s, load_g: None)
        self.flows = self._flows()

    def _flows(self) -> Flows:
        """As learned: each off by as much as U_FLOW."""
        truth = {one.line: one for one in self.plant.truth_report()}
        fluids = self.plant.truth.fluids
        return Flows(
            {
                line: one.flow_ml_s * fluids[one.liquid].density_kg_m3 / 1000 * self.rng.gauss(1.0, U_FLOW)
                for line, one in truth.items()
            }
        )

    def switch(self, line: int, *, on: bool) -> None:
        row = self._rows[line]
        self.plant.set_pin(row.gpio, row.safe_level != on)

    def pass_time(self, seconds: float, read) -> None:
        """Let time pass; every reading goes to `read`, which may end it early by True."""
        end_s = self.clock.now_s() + seconds
        while self.clock.now_s() < end_s:
            self.clock.move_to(min(end_s, self.clock.now_s() + 1.0 / self.rate))
            for one in self.plant.conversions(self._after):
                self._after = one.number
                if read(one.at_s, (one.counts - self._cell.zero_counts) / self._cell.counts_per_g):
                    return


@dataclass
class Found:
    """What was seen of one serving."""

    at_s: float | None = None  # when liquid was found missing
    line: int | None = None  # that was named
    named_s: float | None = None


class Pour:
    """A serving in which lines start GAP_S apart; from a find on, suspects run alone."""

    def __init__(self, desk: Desk, lines: list[int]) -> None:
        self.desk, self.watch, self.begin_s = desk, FlowWatch(desk.flows), desk.clock.now_s() + 0.3
        self.ends_s = {line: self.begin_s + desk.rng.uniform(5.0, 9.0) for line in lines}
        self.todo: list[tuple[float, Callable[[], None]]] = []
        for k, line in enumerate(lines):
            self.todo.append((self.begin_s + k * GAP_S, partial(self._switch, line, on=True)))
            self.todo.append((self.ends_s[line], partial(self._switch, line, on=False)))
        self.on: set[int] = set()
        self.shortfall: Shortfall | None = None

    def at(self, after_s: float, act: Callable[[], None]) -> "Pour":
        """Have something happen so long after the first start."""
        self.todo.append((self.begin_s + after_s, act))
        return self

    def run(self, *, fault_s: float = 0.0) -> Found:
        """To its end, or to the find; fault_s: when liquid began to be missing, after the first start."""
        for at_s, act in sorted(self.todo, key=lambda one: one[0]):
            self.desk.pass_time(at_s - self.desk.clock.now_s(), self._read)
            if self.shortfall is not None:
                return self._look(self.desk.clock.now_s() - self.begin_s - fault_s)
            act()
        return Found()

    def _read(self, at_s: float, load_g: float) -> bool:
        self.shortfall = self.watch.read(at_s, load_g)
        return self.shortfall is not None

    def _switch(self, line: int, *, on: bool) -> None:
        self.desk.switch(line, on=on)
        self.watch.switched(line, on, self.desk.clock.now_s())
        (self.on.add if on else self.on.discard)(line)

    def _look(self, found_s: float) -> Found:
        now_s, suspects = self.desk.clock.now_s(), self.shortfall.suspects
        for line in self.on:
            self.desk.switch(line, on=False)
        if self.shortfall.is_named:
            return Found(at_s=found_s, line=suspects[0], named_s=0.0)
        search = Search(suspects, {line: self.ends_s[line] - now_s for line in self.on}, self.desk.flows, now_s)

        def weigh(at_s: float, load_g: float) -> bool:
            search.read(at_s, load_g)
            return search.is_over

        for trial in search.trials:
            if not search.is_over:
                self.desk.pass_time(trial.start_s - self.desk.clock.now_s(), weigh)
            if not search.is_over:
                self.desk.switch(trial.line, on=True)
                self.desk.pass_time(trial.on_s, weigh)
                self.desk.switch(trial.line, on=False)
        if not search.is_over:
            self.desk.pass_time(1.0, weigh)
        return Found(at_s=found_s, line=search.line, named_s=self.desk.clock.now_s() - now_s)


def teach(desk: Desk, lines: list[int]) -> None:
    """One good serving before, by which the guard learns what these lines bring."""
    Pour(desk, lines).run()
    desk.plant.empty_glass()
    desk.pass_time(3.0, lambda at_s, load_g: None)


def missing(seed: int, rate: int, case: str) -> tuple[Found, int]:
    """One fault of a line; what was found, and which line it was."""
    rng = Random(f"{seed}/{case}")
    desk = Desk(rng, rate, slow=case.startswith("slow"))
    lines = rng.sample(LINES, rng.randint(1 if "start" in case else 2, 4))
    teach(desk, lines)
    line = rng.choice(lines)
    if case.endswith("dead from start"):
        desk.plant.inject(InjectedFault(kind="relay stuck off", line=line))
        return Pour(desk, lines).run(fault_s=GAP_S * lines.index(line)), line
    kind, amount = ("tube worn", 0.5) if case.endswith("half") else ("pump stalled", 0.0)
    fault = InjectedFault(kind=kind, line=line, amount=amount)
    after_s = rng.uniform(1.5, 3.5)
    return Pour(desk, lines).at(after_s, lambda: desk.plant.inject(fault)).run(fault_s=after_s), line


def good(seed: int, rate: int) -> Found:
    """A good serving with a knock and sometimes a hand."""
    rng = Random(f"{seed}/good")
    desk = Desk(rng, rate, slow=rng.random() < WITH_SLOW)
    lines = rng.sample(LINES, rng.randint(1, 4))
    teach(desk, lines)
    pour, plant = Pour(desk, lines), desk.plant
    pour.at(rng.uniform(0.0, 6.0), lambda: plant.knock(rng.choice((-1, 1)) * rng.uniform(*KNOCK_G)))
    if rng.random() < WITH_HAND:
        for_s = rng.uniform(0.3, 3.0)
        pour.at(rng.uniform(0.5, 4.0), lambda: plant.lean(rng.uniform(*HAND_G), for_s))
    return pour.run()


def finished(rng: Random, rate: int) -> Desk:
    """A glass that was poured into; the last channel has just gone off."""
    desk = Desk(rng, rate)
    lines = rng.sample(LINES, rng.randint(1, 4))
    for line in lines:
        desk.switch(line, on=True)
    desk.pass_time(3.0, lambda at_s, load_g: None)
    for line in lines:
        desk.switch(line, on=False)
    return desk


def gaining(seed: int, rate: int) -> float | None:
    """A line siphons after the end: how long after GAIN_ML had come it was found (s); None: not within 10 s."""
    rng = Random(f"{seed}/gain")
    desk = finished(rng, rate)
    rest, flow_ml_s = RestGain(), rng.uniform(*SIPHON_ML_S)
    rest.watch(desk.clock.now_s())
    desk.pass_time(rng.uniform(1.5, 3.0), lambda at_s, load_g: rest.read(at_s, load_g) is not None)
    began_s = desk.clock.now_s()
    desk.plant.inject(InjectedFault(kind="siphon", line=rng.choice(LINES), amount=flow_ml_s))
    found_s: list[float] = []

    def read(at_s: float, load_g: float) -> bool:
        if rest.read(at_s, load_g) is not None:
            found_s.append(at_s)
        return bool(found_s)

    desk.pass_time(GAIN_ML / flow_ml_s + 10.0, read)
    return max(0.0, found_s[0] - began_s - GAIN_ML / flow_ml_s) if found_s else None


def busy(seed: int, rate: int) -> bool:
    """A minute at a finished glass with knocks, hands, ice and drops: whether that was taken for liquid."""
    rng = Random(f"{seed}/busy")
    desk = finished(rng, rate)
    rest, alarms = RestGain(), []
    rest.watch(desk.clock.now_s())

    def read(at_s: float, load_g: float) -> bool:
        if rest.read(at_s, load_g) is not None:
            alarms.append(at_s)
        return bool(alarms)

    plant = desk.plant
    acts = [
        *[lambda: plant.knock(rng.choice((-1, 1)) * rng.uniform(*KNOCK_G))] * 6,
        *[lambda: plant.lean(rng.uniform(*HAND_G), rng.uniform(0.3, 3.0))] * 2,
        *[lambda: plant.add_ice(rng.uniform(8.0, 30.0))] * 3,
    ]
    for act in rng.sample(acts, len(acts)):
        desk.pass_time(rng.uniform(1.0, 9.0), read)
        act()
    desk.pass_time(5.0, read)
    return bool(alarms)


def lifted(seed: int, rate: int) -> float:
    """A glass is lifted while it is poured into: after how long no glass is seen (s)."""
    rng = Random(f"{seed}/lifted")
    desk = Desk(rng, rate)
    standing = Standing(BOOK)
    for line in rng.sample(LINES, rng.randint(1, 4)):
        desk.switch(line, on=True)
    desk.pass_time(rng.uniform(0.5, 5.0), standing.read)
    began_s, gone_s = desk.clock.now_s(), []
    desk.plant.lift_glass()

    def read(at_s: float, load_g: float) -> bool:
        standing.read(at_s, load_g)
        if not standing.is_there:
            gone_s.append(desk.clock.now_s())
        return bool(gone_s)

    desk.pass_time(3.0, read)
    return gone_s[0] - began_s if gone_s else 3.0


def wrong(seed: int, rate: int) -> bool:
    """An empty glass whose tare lies 25 g or more from the one that was named: whether it is accepted."""
    rng = Random(f"{seed}/wrong")
    named = Glass(glass="named", brim_ml=300.0, usable_ml=250.0, tare_g=rng.uniform(80.0, 500.0))
    other_g = named.tare_g + rng.choice((-1, 1)) * rng.uniform(25.0, 60.0)
    book = replace(BOOK, glasses=(named,))
    desk, standing = Desk(rng, rate), Standing(book)
    desk.plant.lift_glass()
    desk.pass_time(1.5, standing.read)
    desk.plant.place_glass("other", brim_ml=300.0, empty_g=other_g + rng.gauss(0.0, U_GLASS_G))
    desk.pass_time(1.5, standing.read)
    load_g = standing.settled_g(desk.clock.now_s())
    return load_g is not None and not misfit(book, named, load_g)


def share(values: list[bool]) -> float:
    return sum(values) / max(1, len(values))


CASES = (
    ("dead from start", 1.5, 0.99),
    ("dying", 1.5, 0.99),
    ("falls to half", 2.0, 0.99),
    ("slow dead from start", 3.0, 0.97),
    ("slow dying", 3.0, 0.97),
)


class Goals:
    """Figures held against what they must reach."""

    def __init__(self) -> None:
        self.figures: dict[str, float] = {}
        self.missed: list[str] = []

    def check(self, name: str, value: float, goal: float, *, at_least: bool = True) -> None:
        """Print a figure beside its goal, and keep it."""
        self.figures[name] = round(value, 4)
        is_met = value >= goal if at_least else value <= goal
        goal_text = f"goal {'at least' if at_least else 'at most'} {goal:g}"
        print(f"{name}: {value:.4f} ({goal_text}){'' if is_met else '  MISSED'}", flush=True)
        if not is_met:
            self.missed.append(name)


def check_case(goals: Goals, case: str, within_s: float, goal: float, asked: argparse.Namespace) -> None:
    """A line that gives too little: how soon it is found, and whether the right one is named."""
    found = [missing(asked.seed * 100_000 + k, asked.rate, case) for k in range(asked.runs)]
    in_time = share([one.at_s is not None and one.at_s <= within_s for one, _ in found])
    goals.check(f"{case} found in {within_s:g} s", in_time, goal)
    seen = [(one, line) for one, line in found if one.at_s is not None]
    is_right = [one.line == line and one.named_s <= 8.0 for one, line in seen]
    goals.check(f"{case} named right in 8 s", share(is_right), 0.98)
    is_wrong = [one.line not in (None, line) for one, line in seen]
    goals.check(f"{case} named wrong", share(is_wrong), 0.002, at_least=False)


def check_rest(goals: Goals, asked: argparse.Namespace) -> None:
    """What comes in at rest, and glasses that are lifted or are not the one that was named."""
    seeds = [asked.seed * 100_000 + k for k in range(asked.runs)]
    gains = [gaining(seed, asked.rate) for seed in seeds]
    for within_s, goal in ((2.0, 0.97), (3.0, 0.99)):
        in_time = share([s is not None and s <= within_s for s in gains])
        goals.check(f"gain at rest found in {within_s:g} s", in_time, goal)
    goals.check("false gains in busy minutes", share([busy(s, asked.rate) for s in seeds]), 0.001, at_least=False)
    gone_s = [lifted(seed, asked.rate) for seed in seeds]
    goals.check("lifted glass seen in 0.4 s", share([one <= 0.4 for one in gone_s]), 1.0)
    goals.check("wrong glasses accepted", share([wrong(s, asked.rate) for s in seeds]), 0.001, at_least=False)


def main() -> int:
    """Draw, pour, look; exit code 1 when a goal is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--good", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rate", type=int, default=80)
    parser.add_argument("--only", default="")
    asked = parser.parse_args()
    goals = Goals()
    for case, within_s, goal in CASES:
        if asked.only in case:
            check_case(goals, case, within_s, goal, asked)
    if asked.only in "rest":
        check_rest(goals, asked)
    if asked.only in "good":
        stops = [good(asked.seed * 100_000 + k, asked.rate).at_s is not None for k in range(asked.good)]
        goals.check("false stops of good servings", share(stops), 1 / 5000, at_least=False)
    print(goals.figures)
    return 1 if goals.missed else 0


if __name__ == "__main__":
    sys.exit(main())
