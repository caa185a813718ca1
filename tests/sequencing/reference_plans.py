"""Instances drawn at random, and what CP-SAT once found for them (`cp_sat_plans.json`, made by `cp_sat.py`)."""

import json
import random
from dataclasses import dataclass
from pathlib import Path

import msgspec

from controller.sequencing.schedule_loads import Limits, Run

STORED = Path(__file__).with_name("cp_sat_plans.json")
# Name -> how many instances, of how many lines, drawn from which seed.
SETS = {
    "1 to 10 lines": (180, 1, 10, 1),
    "8 lines": (45, 8, 8, 8),
    "9 and 10 lines": (45, 9, 10, 3),
    "11 to 32 lines": (63, 11, 32, 2),
}


@dataclass(frozen=True)
class Instance:
    kind: str
    runs: list[Run]
    limits: Limits


@dataclass(frozen=True)
class Figures:
    """Ranges in s, A and mL/s from which an instance is drawn. Invented; every limit rules in one kind at least."""

    duration_s: tuple[float, float]
    current_a: tuple[float, float]
    inrush_times: tuple[float, float]  # of the steady current
    inrush_s: tuple[float, float]
    flow_ml_s: tuple[float, float]
    limit_a: tuple[float, float]
    limit_ml_s: tuple[float, float]
    concurrent: tuple[int, int]
    gap_s: tuple[float, float]
    phases: int = 1


KINDS = {
    "machine": Figures(
        (3, 40), (0.3, 0.6), (2, 3), (0.15, 0.3), (1.2, 2.2), (2.0, 4.0), (6, 12), (3, 6), (0.1, 0.3), phases=2
    ),
    "current": Figures((1, 30), (0.2, 1.5), (1, 1.5), (0.1, 0.5), (0.5, 1), (2.3, 4.0), (50, 60), (10, 10), (0, 0.1)),
    "inrush": Figures((0.5, 6), (0.2, 0.6), (2, 5), (0.5, 3), (0.5, 1), (3.0, 4.0), (50, 60), (10, 10), (0, 0)),
    "flow": Figures((1, 30), (0.1, 0.2), (1, 2), (0.1, 0.3), (1, 6), (10, 20), (6, 12), (10, 10), (0, 0.2)),
    "gap": Figures((0.5, 8), (0.2, 0.8), (1, 3), (0.1, 0.5), (0.5, 2), (2.4, 5.0), (5, 12), (3, 8), (0.5, 2.5)),
    "channels": Figures((2, 30), (0.1, 0.2), (1, 2), (0.1, 0.3), (0.5, 1), (9, 10), (50, 60), (2, 4), (0, 0.3)),
    "all": Figures((0.2, 30), (0.1, 1.5), (1, 2.5), (0.05, 2), (0.2, 5), (3.75, 4.5), (5, 12), (2, 6), (0, 1)),
    "phases": Figures(
        (0.2, 20), (0.2, 1.0), (1, 3), (0.1, 0.5), (0.5, 3), (3.0, 4.0), (4, 10), (2, 5), (0, 0.5), phases=3
    ),
    "short": Figures(
        (0.1, 1), (0.2, 1.0), (1, 3), (0.05, 0.4), (0.5, 3), (3.0, 4.0), (4, 10), (2, 5), (0.2, 1.5), phases=3
    ),
}


def instances(count: int, low: int, high: int, seed: int) -> list[Instance]:
    """Seeded instances of low to high lines, all kinds in turn."""
    rng = random.Random(seed)
    kinds = list(KINDS)
    return [draw(rng, kinds[number % len(kinds)], rng.randint(low, high)) for number in range(count)]


def draw(rng: random.Random, kind: str, count: int) -> Instance:
    """One instance, every figure on CP-SAT's grid; about one in seven has equal runs."""
    figures = KINDS[kind]
    limit_a = _pick(rng, figures.limit_a, 1)
    with_twins = rng.random() < 0.15
    runs: list[Run] = []
    for line in range(1, count + 1):
        phase = rng.randrange(figures.phases)
        twin = rng.choice(runs) if with_twins and runs and rng.random() < 0.5 else _draw_run(rng, figures, limit_a)
        runs.append(msgspec.structs.replace(twin, line=line, phase=phase))
    limits = Limits(
        current_a=limit_a,
        flow_ml_s=max(_pick(rng, figures.limit_ml_s, 1), *(run.flow_ml_s for run in runs)),
        concurrent=rng.randint(*figures.concurrent),
        start_gap_s=_pick(rng, figures.gap_s, 2),
        settle_s=rng.choice((0.0, 0.5, 2.0)),
        total_s=10_000.0,
    )
    return Instance(kind, runs, limits)


def _pick(rng: random.Random, low_high: tuple[float, float], digits: int) -> float:
    return round(rng.uniform(*low_high), digits)


def _draw_run(rng: random.Random, figures: Figures, limit_a: float) -> Run:
    current_a = _pick(rng, figures.current_a, 2)
    return Run(
        line=0,
        duration_s=_pick(rng, figures.duration_s, 3),
        current_a=current_a,
        inrush_a=min(limit_a, round(current_a * rng.uniform(*figures.inrush_times), 2)),
        inrush_s=_pick(rng, figures.inrush_s, 3),
        flow_ml_s=_pick(rng, figures.flow_ml_s, 2),
    )


@dataclass(frozen=True)
class Reference:
    """The best makespan that CP-SAT found, and the shortest that it could not rule out."""

    makespan_s: float
    bound_s: float
    proven: bool


def stored() -> dict[str, list[tuple[Instance, Reference]]]:
    """Set -> its instances, each with what CP-SAT found."""
    found = {}
    for name, rows in json.loads(STORED.read_text())["sets"].items():
        references = [Reference(row[2] / 1000, row[3] / 1000, row[4]) for row in rows]
        found[name] = list(zip(instances(*SETS[name])[: len(rows)], references, strict=True))
    return found
