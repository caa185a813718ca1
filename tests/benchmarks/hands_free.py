"""Eight lines of which nothing is known, calibrated on the machine's own scale, then every drink of the book poured.

python3 tests benchmarks hands_free [--machines N] [--seed S] [--as CONDITION]

Every machine is drawn, with all that its load cell has (knocks too); its scale is spanned with a weight, and whoever is
there sets the jar down when asked. Then each recipe is poured once, and each dose is held against MI-008 (Directive
2014/32/EU) by what truly left the outlet. Reach: 12 minutes of running, 4 touches, no dose outside.
"""

import argparse
import sys
from pathlib import Path

import structlog
from msgspec.structs import replace

from controller.bench.cell_truth import CELL_EFFECTS
from controller.bench.effects import CONDITIONS
from controller.config import load
from controller.metering.dose import mi008_ml
from controller.model.book import OnLine
from controller.model.requests import PourRequest
from controller.rehearsal.hands_free import calibrate_all
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import span_scale

ROOT = Path(__file__).resolve().parents[2]
MOST_S, MOST_TOUCHES = 720.0, 4
MORE = (OnLine(line=7, liquid="apple juice", container_ml=3000.0), OnLine(line=8, liquid="soda", container_ml=5000.0))


def shares_of_tolerance(machine: VirtualMachine, recipe: str, glass: str) -> list[float]:
    """Pour it: of each dose, the true error over its tolerance."""
    machine.plant.place_glass(glass)
    machine.pass_time(4.0)
    lines = machine.engine.status().lines
    before = {one.line: machine.plant.true_delivered_ml(one.line) for one in lines}
    operation = machine.engine.pour(PourRequest(recipe=recipe)).operation
    while not (view := machine.engine.operation(operation)).refused and view.outcome is None:
        if view.waiting_for is not None:
            machine.engine.confirm(operation)
        machine.pass_time(0.5)
    if view.outcome != "done":
        raise RuntimeError(f"{recipe}: {view.outcome} {view.reason} {view.refused}")
    machine.pass_time(6.0)
    machine.plant.lift_glass()
    machine.pass_time(3.0)
    asked = {one.line: one.asked_ml for one in view.lines}
    return [
        abs(machine.plant.true_delivered_ml(line) - before[line] - dose_ml) / mi008_ml(dose_ml)
        for line, dose_ml in asked.items()
    ]


def one_machine(seed: int, condition: str) -> tuple[float, int, list[float], list[str]]:
    """Running time (s), touches, shares of tolerance of all doses, and lines that failed."""
    profile, book, _ = load(ROOT / "hardware_profiles/bench_eight_line.yaml", ROOT / "demo/orchard_fete.yaml")
    effects, _ = CONDITIONS[condition]
    machine = VirtualMachine(
        profile, replace(book, lines=(*book.lines, *MORE)), seed=seed, effects=effects, cell=CELL_EFFECTS
    )
    try:
        span_scale(machine)
        view = calibrate_all(machine, by="benchmark")
        failed = [f"line {one.line}: {one.says}" for one in view.lines if one.state != "calibrated"]
        for one in book.lines:
            machine.plant.hang(one.line, one.liquid, 5000.0)
        shares = [share for one in book.recipes for share in shares_of_tolerance(machine, one.recipe, one.glass)]
        return view.running_s, view.touches, shares, failed
    finally:
        machine.close()


def main(argv: list[str]) -> int:
    """Print a row for each machine and what the worst of them reaches."""
    parser = argparse.ArgumentParser(prog="python3 tests benchmarks hands_free")
    parser.add_argument("--machines", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--as", dest="condition", choices=sorted(CONDITIONS), default="steady")
    asked = parser.parse_args(argv)
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    rows = []
    for seed in range(asked.seed, asked.seed + asked.machines):
        running_s, touches, shares, failed = one_machine(seed, asked.condition)
        rows.append((running_s, touches, max(shares), len(failed)))
        print(
            f"seed {seed}: {running_s / 60:.1f} min, {touches} touch(es), {len(shares)} doses, the worst at "
            f"{max(shares):.2f} of its tolerance {'; '.join(failed)}"
        )
    slowest_s, most_touches, worst, failed_lines = (max(row[place] for row in rows) for place in range(4))
    reached = slowest_s <= MOST_S and most_touches <= MOST_TOUCHES and worst <= 1.0 and not failed_lines
    print(
        f"{asked.machines} machines of 8 lines: at most {slowest_s / 60:.1f} min, {touches} touch(es), worst dose at "
        f"{worst:.2f} of its tolerance, {failed_lines} failed line(s): {'reached' if reached else 'MISSED'}"
    )
    return 0 if reached else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
