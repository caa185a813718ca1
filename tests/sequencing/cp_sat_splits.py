"""CP-SAT (OR-Tools) on drawn drinks with twin lines: shares and starts together, exact on a grid of 1 ms.

python3 -m tests.sequencing.cp_sat_splits [--seconds 120] [--most-s 270]

Fills `cp_sat_splits.json`, a row an instance in the order of its seed ("split 0", "split 1", ...): best makespan and
bound in ms, proven. It goes on where it stopped. The bound is what plans are held against: it stands whether or not
the best plan was found.
"""

import argparse
import json
import math
import random
import time
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from msgspec.structs import replace
from ortools.sat.python import cp_model

from controller.model.calibration import Calibration
from controller.sequencing.plan import ANY_TIME_S, Plan, limits, plan_serving
from controller.sequencing.schedule_loads import Limits, Run
from controller.sequencing.twins import Source
from tests.sequencing.drawn_drinks import Drink, Machine, drink, machine, sources
from tests.sequencing.reference_plans import Reference

STORED = Path(__file__).with_name("cp_sat_splits.json")
COUNT, WORKERS = 45, 8
MS, MILLI = 1000, 1000


@dataclass(frozen=True)
class SplitInstance:
    """A drink of one phase on a machine whose pumps do not sag, with liquids on its spare lines."""

    machine: Machine
    spares: dict[int, str]
    drink: Drink


def split_instances(count: int = COUNT) -> list[SplitInstance]:
    """Seeded instances at 5, 3 and 2 A in turn: one or two liquids with a twin, or one with two."""
    found = []
    for number in range(count):
        rng = random.Random(f"split {number}")
        drawn = machine(rng, (5.0, 3.0, 2.0)[number % 3])
        still = {line: replace(one, sag_per_a=0.0) for line, one in drawn.known.items()}
        phases = drink(rng)
        one_phase = (replace(phases[0], doses=tuple(dose for phase in phases for dose in phase.doses)),)
        largest, second = sorted(one_phase[0].doses, key=lambda dose: -dose[1])[:2]
        spares = ({9: largest[0]}, {9: largest[0], 10: second[0]}, {9: largest[0], 10: largest[0]})[number // 3 % 3]
        found.append(SplitInstance(Machine(drawn.profile, still), spares, one_phase))
    return found


def stored() -> list[Reference]:
    """What CP-SAT found for them."""
    return [Reference(row[0] / MS, row[1] / MS, row[2]) for row in json.loads(STORED.read_text())["rows"]]


class _Model:
    """The runs of a drink: each optional, as long as its share takes."""

    def __init__(self, instance: SplitInstance) -> None:
        self.model, self._profile = cp_model.CpModel(), instance.machine.profile
        self._known = instance.machine.hanging(instance.spares)
        self._limits: Limits = limits(self._profile, ANY_TIME_S)
        self._horizon = round(planned(instance).makespan_s * 1.03 * MS) + 50
        self._whole: list[cp_model.IntervalVar] = []
        self._inrush: list[cp_model.IntervalVar] = []
        self._gaps: list[cp_model.IntervalVar] = []
        self._on: list[tuple[cp_model.IntVar, cp_model.IntVar]] = []  # ms on, 0 where it is off; whether it is on
        self._runs: list[Run] = []
        self.makespan = self.model.new_int_var(0, self._horizon, "makespan")
        self._planned = {run.line: run for segment in planned(instance).segments for run in segment.runs}
        of_liquid = sources(instance.spares)
        for liquid, volume_ml in instance.drink[0].doses:
            self._dose(volume_ml, of_liquid[liquid])
        self._limit()
        self.model.minimize(self.makespan)

    def _dose(self, volume_ml: float, lines: tuple[Source, ...]) -> None:
        given = []
        for source in lines:
            known = self._known[source.line]
            least_ml = min(source.least_ml, volume_ml)
            is_on = self.model.new_int_var(int(len(lines) == 1), 1, "")
            on = self._run(known, least_ml, volume_ml, is_on)
            flow = round(known.flow_ml_s * MILLI)  # uL/s; times ms: nL
            poured = self.model.new_int_var(0, flow * self._horizon, "")
            self.model.add(poured == flow * (on - round(known.lag_s * MS))).only_enforce_if(is_on)
            self.model.add(poured == 0).only_enforce_if(is_on.Not())
            given.append(poured)
        self.model.add(sum(given) >= round(volume_ml * 1e6))

    def _run(self, known: Calibration, least_ml: float, most_ml: float, is_on: cp_model.IntVar) -> cp_model.IntVar:
        model, pump = self.model, self._profile.line(known.line).pump
        low, high = (round((ml / known.flow_ml_s + known.lag_s) * MS) for ml in (least_ml, most_ml))
        overlap = round(self._limits.overlap_s * MS)
        hint = self._planned.get(known.line)
        start, on = model.new_int_var(0, self._horizon, ""), model.new_int_var(low, high + 2, "")
        end = model.new_int_var(0, 2 * self._horizon, "")
        # Rounded up to whole ms, each start a little later than the one before, so that the plan stays one.
        later = 3 * sorted(one.start_s for one in self._planned.values()).index(hint.start_s) if hint else 0
        model.add_hint(start, 0 if hint is None else math.ceil(hint.start_s * MS) + later)
        model.add_hint(on, low if hint is None else math.ceil(hint.duration_s * MS))
        model.add_hint(is_on, hint is not None)
        worth = model.new_int_var(0, high + 2, "")
        model.add(worth >= on).only_enforce_if(is_on)
        self._on.append((worth, is_on))
        self._whole.append(model.new_optional_interval_var(start, on + overlap, end, is_on, ""))
        model.add(start + on <= self.makespan).only_enforce_if(is_on)
        inrush = round(pump.inrush_s * MS) + overlap
        self._inrush.append(model.new_optional_fixed_size_interval_var(start, inrush, is_on, ""))
        gap = round(self._limits.start_gap_s * MS)
        self._gaps.append(model.new_optional_fixed_size_interval_var(start, gap, is_on, ""))
        most_ml_s = max(self._profile.flow_band(known.line).most_ml_s, known.flow_ml_s)
        self._runs.append(
            Run(
                line=known.line,
                duration_s=1.0,
                current_a=pump.run_a,
                inrush_a=pump.inrush_a,
                inrush_s=pump.inrush_s,
                flow_ml_s=most_ml_s,
            )
        )
        return on

    def _limit(self) -> None:
        steady = [round(run.current_a * MILLI) for run in self._runs]
        extra = [round((run.inrush_a - run.current_a) * MILLI) for run in self._runs]
        flows = [round(run.flow_ml_s * MILLI) for run in self._runs]
        self.model.add_cumulative(self._whole + self._inrush, steady + extra, round(self._limits.current_a * MILLI))
        self.model.add_cumulative(self._whole, flows, round(self._limits.flow_ml_s * MILLI))
        self.model.add_cumulative(self._whole, [1] * len(self._whole), self._limits.concurrent)
        self.model.add_no_overlap(self._gaps)
        # What all runs take of current, flow and channels over time: follows from the sums, and tightens the bound.
        inrushes = [round(run.inrush_s * MS) for run in self._runs]
        charge = sum(
            amps * on + more * inrush * is_on
            for amps, more, inrush, (on, is_on) in zip(steady, extra, inrushes, self._on, strict=True)
        )
        self.model.add(charge <= round(self._limits.current_a * MILLI) * self.makespan)
        volume = sum(flow * on for flow, (on, _) in zip(flows, self._on, strict=True))
        self.model.add(volume <= round(self._limits.flow_ml_s * MILLI) * self.makespan)
        # Follows as well: of all that are on at one instant, the last one found room for its inrush beside the others.
        most = _most_at_once(steady, extra, round(self._limits.current_a * MILLI))
        self.model.add_cumulative(self._whole, [1] * len(self._whole), most)
        overlap, gap = round(self._limits.overlap_s * MS), round(self._limits.start_gap_s * MS)
        on_times = sum(on + overlap * is_on for on, is_on in self._on)
        before_all_are_on = gap * most * (most - 1) // 2  # no two start closer together than the gap
        self.model.add(on_times + before_all_are_on <= most * (self.makespan + overlap))


def _most_at_once(steady: list[int], extra: list[int], current: int) -> int:
    """How many runs can be on together: the last one draws its inrush, the others their least."""
    found = 1
    for last, more in enumerate(extra):
        others = sorted(steady[:last] + steady[last + 1 :])
        fitting = [count for count in range(len(others) + 1) if steady[last] + more + sum(others[:count]) <= current]
        found = max(found, 1 + max(fitting, default=0))
    return found


def planned(instance: SplitInstance) -> Plan:
    """Tundish's own plan: CP-SAT begins with it, and looks for a shorter one."""
    known = instance.machine.hanging(instance.spares)
    return plan_serving(instance.machine.profile, known, sources(instance.spares), instance.drink)


def cp_sat(instance: SplitInstance, seconds: float) -> Reference:
    """CP-SAT's best plan within so many seconds."""
    built, solver = _Model(instance), cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = WORKERS
    status = solver.solve(built.model)
    bound_s = solver.best_objective_bound / MS
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Reference(float("inf"), bound_s, False)
    return Reference(solver.objective_value / MS, bound_s, status == cp_model.OPTIMAL)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=120.0, help="for one instance")
    parser.add_argument("--most-s", type=float, default=1e9, help="for this call")
    options = parser.parse_args()
    end_s = time.monotonic() + options.most_s
    rows = json.loads(STORED.read_text())["rows"] if STORED.exists() else []
    made = f"CP-SAT of OR-Tools {version('ortools')}, {WORKERS} workers, {options.seconds:g} s each, on two cores"
    for instance in split_instances()[len(rows) :]:
        if time.monotonic() > end_s:
            return
        found = cp_sat(instance, options.seconds)
        rows.append([round(MS * found.makespan_s), round(MS * found.bound_s), found.proven])
        text = ",\n".join(f"    {json.dumps(row)}" for row in rows)
        STORED.write_text(f'{{\n  "made": {json.dumps(made)},\n  "rows": [\n{text}\n  ]\n}}\n')


if __name__ == "__main__":
    main()
