"""What the guard's second pair of eyes finds on the bench's load cell, and how often it stops a good serving.

python3 tests benchmarks weighed_faults [--runs N] [--good N] [--seed S] [--rate R] [--processes P] [--only WORD]

Machines in use (`machine_in_use.py`) are drawn at 80 and at 10 readings a second, and on each of them faults and
servings, several of every kind; what comes out follows from the seed alone, however many processes share the work.
Exits non-zero when a goal is missed. The last line holds every figure. `--runs 100 --good 250` is a quick look.
"""

import argparse
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from random import Random
from typing import TypeVar

from msgspec.structs import replace

from controller.bench.faults import FaultKind, InjectedFault
from controller.model.book import Glass
from controller.safety.rest_gain import RestGain
from controller.safety.standing import Standing, misfit
from tests.benchmarks.machine_in_use import BOOK, GAP_S, LINES, WORN, Found, Machine, Pour, Run

RATES = (80, 10)  # readings a second
DRAWN_EACH, GOOD_EACH = 5, 20  # faults of a kind, and good servings, on each machine
WITH_SLOW = 0.2  # of good servings
TWO_PHASES = 0.3  # of good servings; common practice, no source
WITH_HAND = 0.3  # of good servings; common practice, no source
GAIN_ML, SIPHON_ML_S = 5.0, (0.7, 4.0)  # what comes at rest, and how fast; common practice, no source
U_GLASS_G = 3.0  # by which glasses of one kind differ; common practice, no source
KNOCK_G, HAND_G = (2.0, 60.0), (50.0, 800.0)  # of people; common practice, no source
DEAD: tuple[FaultKind, ...] = ("relay stuck off", "pump dead", "tube blocked", "tube off")
DYING: tuple[FaultKind, ...] = ("pump stalled", "pump dead", "tube blocked", "tube off")
NAMED_WITHIN_S = 8.0
# Case: slow lines, how soon it is to be found (s), and in how many.
CASES = {
    "dead from start": (False, 1.5, 0.99),
    "dying": (False, 1.5, 0.99),
    "falls to half": (False, 2.0, 0.99),
    "slow dead from start": (True, 3.0, 0.97),
    "slow dying": (True, 3.0, 0.97),
}

Drawn = TypeVar("Drawn")
Missed = tuple[str, Found, int]  # case, what was found (s after liquid began to be missing), which line it was


def missing(slow: bool, seed: int, rate: int) -> list[Missed]:
    """On one machine: faults of every case that is this slow."""
    machine = Machine(Random(f"{seed}/missing/{slow}"), rate, slow=slow).learn()
    cases = [(case, within_s) for case, (is_slow, within_s, _) in CASES.items() if is_slow is slow]
    return [fails(machine, case, within_s) for case, within_s in cases * DRAWN_EACH]


def fails(machine: Machine, case: str, within_s: float) -> Missed:
    """A serving in which a line brings too little, for as long at least as it may take to find out."""
    rng, from_start = machine.rng, case.endswith("dead from start")
    lines = machine.some_lines(1 if from_start else 2)
    line = rng.choice(lines)
    if from_start:
        began_s = GAP_S * lines.index(line)
        fault, at_s = InjectedFault(kind=rng.choice(DEAD), line=line), 0.0
    else:
        began_s = at_s = rng.uniform(1.5, 3.5)
        fault = InjectedFault(kind=rng.choice(DYING), line=line)
    if case == "falls to half":
        fault = InjectedFault(kind="tube worn", line=line, amount=1 - (1 - WORN) / 2)
    found = machine.in_fault(lines, fault, at_s, 3.5 + within_s)
    if found.at_s is not None:
        found.at_s = round(found.at_s - began_s, 6)  # readings come on an even grid: 1.5 s is not 1.500000000003 s
    return case, found, line


def good(seed: int, rate: int) -> list[Found]:
    """On one machine: good servings of one or two phases, each with a knock and sometimes a hand."""
    rng = Random(f"{seed}/good")
    machine = Machine(rng, rate, slow=rng.random() < WITH_SLOW).learn()
    return [good_serving(machine) for _ in range(GOOD_EACH)]


def good_serving(machine: Machine) -> Found:
    rng, plant = machine.rng, machine.plant
    runs = machine.served(machine.some_lines(1), 1.0, 9.0)
    if rng.random() < TWO_PHASES:
        from_s = max(run.end_s for run in runs) + rng.uniform(1.0, 3.0)
        others = [line for line in LINES if line not in {run.line for run in runs}]
        then = machine.served(rng.sample(others, rng.randint(1, 2)), 1.0, 9.0)
        runs += [Run(run.line, from_s + run.start_s, from_s + run.end_s) for run in then]
    pour, lasts_s = Pour(machine, runs), max(run.end_s for run in runs)
    pour.at(rng.uniform(0.0, lasts_s), lambda: plant.knock(rng.choice((-1, 1)) * rng.uniform(*KNOCK_G)))
    if rng.random() < WITH_HAND:
        for_s = rng.uniform(0.3, 3.0)
        pour.at(rng.uniform(0.5, lasts_s), lambda: plant.lean(rng.uniform(*HAND_G), for_s))
    found = pour.run()
    machine.clear_up()
    return found


def pour_one(machine: Machine) -> None:
    """A glass is poured into; the last channel has just gone off."""
    lines = machine.some_lines(1)
    for line in lines:
        machine.switch(line, on=True)
    machine.pass_time(3.0, lambda at_s, load_g: None)
    for line in lines:
        machine.switch(line, on=False)


def at_rest(seed: int, rate: int) -> list[tuple[float | None, bool]]:
    """On one machine: liquid that comes at rest, and busy minutes in which none does."""
    machine = Machine(Random(f"{seed}/rest"), rate)
    return [(gaining(machine), busy(machine)) for _ in range(DRAWN_EACH)]


def gaining(machine: Machine) -> float | None:
    """A line siphons after the end: how long after GAIN_ML had come it was found (s); None: not within 10 s."""
    rng, plant = machine.rng, machine.plant
    pour_one(machine)
    rest, flow_ml_s = RestGain(), rng.uniform(*SIPHON_ML_S)
    rest.watch(machine.clock.now_s())
    machine.pass_time(rng.uniform(1.5, 3.0), lambda at_s, load_g: rest.read(at_s, load_g) is not None)
    began_s = machine.clock.now_s()
    fault = InjectedFault(kind="siphon", line=rng.choice(LINES), amount=flow_ml_s)
    plant.inject(fault)
    found_s: list[float] = []

    def read(at_s: float, load_g: float) -> bool:
        if rest.read(at_s, load_g) is not None:
            found_s.append(at_s)
        return bool(found_s)

    machine.pass_time(GAIN_ML / flow_ml_s + 10.0, read)
    plant.clear(fault)
    machine.clear_up()
    return max(0.0, found_s[0] - began_s - GAIN_ML / flow_ml_s) if found_s else None


def busy(machine: Machine) -> bool:
    """A minute at a finished glass with knocks, hands, ice and drops: whether that was taken for liquid."""
    rng, plant = machine.rng, machine.plant
    pour_one(machine)
    rest, alarms = RestGain(), []
    began_s = machine.clock.now_s()
    rest.watch(began_s)

    def read(at_s: float, load_g: float) -> bool:
        if rest.read(at_s, load_g) is not None:
            alarms.append(at_s)
        return bool(alarms)

    acts = [
        *[lambda: plant.knock(rng.choice((-1, 1)) * rng.uniform(*KNOCK_G))] * 6,
        *[lambda: plant.lean(rng.uniform(*HAND_G), rng.uniform(0.3, 3.0))] * 2,
        *[lambda: plant.add_ice(rng.uniform(8.0, 30.0))] * 3,
    ]
    for at_s, act in zip(sorted(rng.uniform(1.0, 58.0) for _ in acts), rng.sample(acts, len(acts)), strict=True):
        machine.pass_time(began_s + at_s - machine.clock.now_s(), read)
        act()
    machine.pass_time(began_s + 60.0 - machine.clock.now_s(), read)
    machine.clear_up()
    return bool(alarms)


def standing(seed: int, rate: int) -> list[tuple[float, bool]]:
    """On one machine: glasses that are lifted, and glasses that are not the one that was named."""
    machine = Machine(Random(f"{seed}/standing"), rate)
    return [(lifted(machine), wrong(machine)) for _ in range(DRAWN_EACH)]


def lifted(machine: Machine) -> float:
    """A glass is lifted while it is poured into: after how long no glass is seen (s)."""
    rng, seen, lines = machine.rng, Standing(BOOK), machine.some_lines(1)
    for line in lines:
        machine.switch(line, on=True)
    machine.pass_time(rng.uniform(0.5, 5.0), seen.read)
    began_s, gone_s = machine.clock.now_s(), []
    machine.plant.lift_glass()

    def read(at_s: float, load_g: float) -> bool:
        seen.read(at_s, load_g)
        if not seen.is_there:
            gone_s.append(machine.clock.now_s())
        return bool(gone_s)

    machine.pass_time(3.0, read)
    for line in lines:
        machine.switch(line, on=False)
    machine.plant.place_glass()
    machine.clear_up()
    return gone_s[0] - began_s if gone_s else 3.0


def wrong(machine: Machine) -> bool:
    """An empty glass whose tare lies 25 g or more from the one that was named: whether it is accepted."""
    rng, plant = machine.rng, machine.plant
    tare_g = rng.uniform(80.0, 500.0)
    named = Glass(glass="named", brim_ml=300.0, usable_ml=250.0, tare_g=tare_g)
    other_g = tare_g + rng.choice((-1, 1)) * rng.uniform(25.0, 60.0)
    book = replace(BOOK, glasses=(named,))
    seen = Standing(book)
    plant.lift_glass()
    machine.pass_time(1.5, seen.read)
    plant.place_glass("other", brim_ml=300.0, empty_g=other_g + rng.gauss(0.0, U_GLASS_G))
    machine.pass_time(1.5, seen.read)
    load_g = seen.settled_g(machine.clock.now_s())
    plant.lift_glass()
    plant.place_glass(BOOK.glasses[0].glass, brim_ml=1000.0)
    machine.clear_up()
    return load_g is not None and not misfit(book, named, load_g)


def share(values: list[bool]) -> float:
    return sum(values) / max(1, len(values))


class Goals:
    """Figures held against what they must reach."""

    def __init__(self) -> None:
        self.figures: dict[str, float] = {}
        self.missed: list[str] = []

    def check(self, name: str, values: list[bool], goal: float | None, *, at_least: bool = True) -> None:
        """Print a share beside its goal, if there is one, and keep it."""
        value = share(values)
        self.figures[name] = round(value, 4)
        is_met = goal is None or (value >= goal if at_least else value <= goal)
        goal_text = "no goal" if goal is None else f"goal {'at least' if at_least else 'at most'} {goal:g}"
        print(f"{name}: {value:.4f} of {len(values)} ({goal_text}){'' if is_met else '  MISSED'}", flush=True)
        if not is_met:
            self.missed.append(name)


class Draws:
    """The work of one rate, shared by processes: each machine is drawn from a seed of its own, in their order."""

    def __init__(self, asked: argparse.Namespace, rate: int, pool: ProcessPoolExecutor, goals: Goals) -> None:
        self._asked, self._rate, self._pool, self._goals = asked, rate, pool, goals

    def _of(self, machine: Callable[..., list[Drawn]], count: int, each: int = DRAWN_EACH) -> Iterator[Drawn]:
        """Draws of as many machines as hold `count`, so many each."""
        first = self._asked.seed * 100_000
        seeds = range(first, first + -(-count // each))
        for found in self._pool.map(partial(machine, rate=self._rate), seeds):
            yield from found

    def _check(self, name: str, values: list[bool], goal: float | None, *, at_least: bool = True) -> None:
        self._goals.check(f"{self._rate}/s {name}", values, goal, at_least=at_least)

    def lines(self) -> None:
        """Lines that give too little: how soon that is found, and whether the right one is named."""
        for slow in (False, True):
            drawn = list(self._of(partial(missing, slow), self._asked.runs))
            for case, (is_slow, within_s, goal) in CASES.items():
                if is_slow is not slow:
                    continue
                found = [(one, line) for name, one, line in drawn if name == case]
                in_time = [one.at_s is not None and one.at_s <= within_s for one, _ in found]
                self._check(f"{case} found in {within_s:g} s", in_time, goal)
                seen = [(one, line) for one, line in found if one.at_s is not None]
                is_right = [one.line == line and (one.named_s or 0.0) <= NAMED_WITHIN_S for one, line in seen]
                self._check(f"{case} named right in {NAMED_WITHIN_S:g} s", is_right, 0.98)
                is_wrong = [one.line not in (None, line) for one, line in seen]
                self._check(f"{case} named wrong", is_wrong, 0.002, at_least=False)

    def rest(self) -> None:
        """What comes in at rest, and glasses that are lifted or are not the one that was named."""
        gains = list(self._of(at_rest, self._asked.runs))
        for within_s, goal in ((2.0, 0.97), (3.0, 0.99)):
            in_time = [s is not None and s <= within_s for s, _ in gains]
            self._check(f"gain at rest found in {within_s:g} s", in_time, goal)
        self._check("false gains in busy minutes", [is_false for _, is_false in gains], 0.001, at_least=False)
        glasses = list(self._of(standing, self._asked.runs))
        self._check("lifted glass seen in 0.4 s", [s <= 0.4 for s, _ in glasses], 1.0 if self._rate >= 80 else None)
        self._check("wrong glasses accepted", [is_taken for _, is_taken in glasses], 0.001, at_least=False)

    def good(self) -> None:
        """Good servings, none of which is to be stopped."""
        stops = [one.at_s is not None for one in self._of(good, self._asked.good, GOOD_EACH)]
        self._check("false stops of good servings", stops, 1 / 5000, at_least=False)


def main() -> int:
    """Draw, pour, look; exit code 1 when a goal is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--good", type=int, default=5000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rate", type=int, choices=RATES, help="this rate alone")
    parser.add_argument("--only", choices=("lines", "rest", "good"), help="this part alone")
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    goals = Goals()
    with ProcessPoolExecutor(asked.processes) as pool:
        for rate in (asked.rate,) if asked.rate else RATES:
            draws = Draws(asked, rate, pool, goals)
            for part in (asked.only,) if asked.only else ("lines", "rest", "good"):
                getattr(draws, part)()
    print(goals.figures)
    return 1 if goals.missed else 0


if __name__ == "__main__":
    sys.exit(main())
