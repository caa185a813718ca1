"""How exactly a calibrated machine serves, against the bench's own limit and against simpler calibrations.

python3 tests benchmarks accuracy [--servings N] [--seed S]

Machines with the same true pumps serve the same random drinks (1 to 4 doses of 5 to 250 mL), in virtual time through
the real engine and guard:

  perfect     the bench's true flow, lag and sag: what is left is the irreducible spread
  fresh       one calibration by weight, as `tundish calibrate` does it, and one jar for the sag
  flow only   one flow per pump from one weighed run, no lag, no sag (baseline)
  constant    the data sheet's flow for every pump (baseline)

The same calibration, taken like that of `fresh`, on pumps that do not hold still afterwards:

  warmed-up   motors that warm up while they serve
  aged        tubes that were new when they were calibrated, 40 h of running later
  gassy       carbonated soda
  restless    supply voltage, level, temperature, run-back and turbulence
  worn        all of this together
  2 mm bore   narrow tubes in small heads, which hold still

The goal is one for `fresh`; the others are there to be seen, and no goal is stated for them.
"""

import argparse
import math
import random
import statistics
import sys
from collections import defaultdict
from pathlib import Path

import msgspec
import structlog

from controller.bench.effects import EFFECTS, WORN_S, Effect
from controller.config import load
from controller.metering.dose import mi008_ml
from controller.model.book import Book, Dose, Glass, Phase, Recipe
from controller.model.calibration import Calibration
from controller.model.messages import TakeCalibration
from controller.model.profile import Line, Profile
from controller.model.requests import PourRequest
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import calibrate, learn_sag, prime_all, weighed_trial

ROOT = Path(__file__).resolve().parents[2]
LINES = (1, 2, 3, 4, 5, 6)
Errors = dict[int, list[tuple[float, float]]]  # line -> (asked mL, error mL)


# Way -> the bench's effects, after one and the same calibration.
EFFECTS_OF: dict[str, tuple[Effect, ...]] = {
    "fresh": (),
    "warmed-up": ("warming",),
    "aged": ("new tube",),
    "gassy": ("gas",),
    "restless": ("supply steps", "level", "temperature", "run-back", "turbulence"),
    "worn": EFFECTS,
    "2 mm bore": (),
}
GETS_OLDER = ("aged", "worn")
WAYS = ("perfect", "flow only", "constant", *EFFECTS_OF)


def narrow(line: Line) -> Line:
    """The same line with a tube of 2 mm bore and a pump that fits it, at 90 mL/min."""
    pump = msgspec.structs.replace(line.pump, nominal_flow_ml_s=1.5)
    tube = msgspec.structs.replace(line.tube, bore_mm=2.0)
    return msgspec.structs.replace(line, pump=pump, tube=tube, flow=None)


def machine_files(servings: int, seed: int, way: str) -> tuple[Profile, Book]:
    """The six-line bench with caps wide enough for 250 mL doses at any rate, and a book of random drinks."""
    profile, book, _ = load(ROOT / "hardware_profiles/bench_six_line.yaml", ROOT / "demo/orchard_fete.yaml")
    wide = msgspec.structs.replace(
        profile.caps,
        serving_volume_ml=2000.0,
        serving_time_s=600.0,
        run_on_s=300.0,
        operation_on_s=300.0,
        duty_fraction=1.0,
        hour_servings=100_000,
        serving_pause_s=0.0,
    )
    rng = random.Random(seed)
    liquids = {one.line: one.liquid for one in book.lines}
    recipes = []
    for number in range(servings):
        lines = rng.sample(LINES, rng.randint(1, 4))
        doses = tuple(
            Dose(liquid=liquids[line], volume_ml=round(math.exp(rng.uniform(math.log(5), math.log(250))), 1))
            for line in lines
        )
        recipes.append(Recipe(recipe=f"drink {number}", glass="pail", phases=(Phase(doses=doses),)))
    pail = Glass(glass="pail", brim_ml=2500.0, usable_ml=2200.0)
    lines_full = tuple(msgspec.structs.replace(one, container_ml=50_000.0) for one in book.lines)
    ageless = msgspec.structs.replace(profile.ageing, running_s=1e9, age_s=1e9, small_dose_ml=1.0)
    wide_profile = msgspec.structs.replace(profile, caps=wide, ageing=ageless)
    if way == "2 mm bore":
        wide_profile = msgspec.structs.replace(wide_profile, lines=tuple(narrow(one) for one in profile.lines))
    return wide_profile, msgspec.structs.replace(book, recipes=tuple(recipes), glasses=(pail,), lines=lines_full)


def refill(machine: VirtualMachine, book: Book) -> None:
    for one in book.lines:
        machine.plant.hang(one.line, one.liquid, 50_000.0)


def plain(line: int, liquid: str, flow_ml_s: float, lag_s: float = 0.0, sag_per_a: float = 0.0) -> Calibration:
    return Calibration(
        line=line,
        liquid=liquid,
        flow_ml_s=flow_ml_s,
        lag_s=lag_s,
        u_flow_ml_s=0.0,
        u_lag_s=0.0,
        cov_flow_lag=0.0,
        sag_per_a=sag_per_a,
    )


def give(machine: VirtualMachine, calibrations: list[Calibration]) -> None:
    for undated in calibrations:
        calibration = msgspec.structs.replace(undated, taken_wall_s=machine.clock.wall_s())
        machine.guard.handle("engine", TakeCalibration(calibration=calibration))
    machine.pass_time(0.1)
    for calibration in calibrations:
        held = next(one for one in machine.engine.status().lines if one.line == calibration.line).calibration
        if held is None or held.flow_ml_s != calibration.flow_ml_s:
            raise RuntimeError(f"the guard did not take {calibration}")


def prepare(machine: VirtualMachine, book: Book, profile: Profile, way: str) -> None:
    liquids = {one.line: one.liquid for one in book.lines}
    if way in EFFECTS_OF:
        for line in LINES:
            calibrate(machine, line, by="benchmark")
        for _ in range(3):
            learn_sag(machine, (2, 1, 5, 6), 12.0, by="benchmark")
        if way in GETS_OLDER:
            machine.plant.run_in(WORN_S)
    elif way == "perfect":
        truth = machine.plant.truth_report()
        give(machine, [plain(one.line, one.liquid, one.flow_ml_s, one.lag_s, one.sag_per_a) for one in truth])
    elif way == "flow only":
        flows = []
        for line in LINES:
            _, grams = weighed_trial(machine, (line,), 15.0)
            flows.append(
                plain(line, liquids[line], grams / (machine.engine.calibrating.fit(line).density_kg_m3 / 1000.0) / 15.0)
            )
        give(machine, flows)
    else:
        mean = statistics.fmean(line.pump.nominal_flow_ml_s for line in profile.lines)
        give(machine, [plain(line, liquids[line], mean) for line in LINES])


def serve(way: str, servings: int, seed: int) -> Errors:
    """Prepare one machine this way and pour every drink of the book; what went wrong, in mL."""
    profile, book = machine_files(servings, seed, way)
    machine = VirtualMachine(profile, book, seed=seed, effects=EFFECTS_OF.get(way, ()))
    prime_all(machine, LINES)
    prepare(machine, book, profile, way)
    errors: Errors = defaultdict(list)
    for number, recipe in enumerate(book.recipes):
        if number % 100 == 0:
            refill(machine, book)
        machine.pass_time(1.5)  # a glass that is gone for less than a second was not taken
        machine.plant.place_glass("pail")
        machine.pass_time(1.0)
        view = machine.finish(machine.engine.pour(PourRequest(recipe=recipe.recipe)).operation, 700.0)
        machine.pass_time(2.0)
        got = machine.plant.lift_glass()
        for one in view.lines:
            errors[one.line].append((one.asked_ml, got.get(one.liquid, 0.0) - one.asked_ml))
    machine.close()
    return errors


def summary(errors: Errors) -> dict[str, float]:
    """Largest bias of a line (%), spread of the errors about it (in usual spreads), share outside MI-008 (%)."""
    biases, centred, outside, count = [], [], 0, 0
    for pairs in errors.values():
        bias = sum(error for _, error in pairs) / sum(asked for asked, _ in pairs)
        biases.append(abs(bias))
        centred += [(error - bias * asked) / math.hypot(0.05, 0.0035 * asked) for asked, error in pairs]
        outside += sum(abs(error) > mi008_ml(asked) for asked, error in pairs)
        count += len(pairs)
    return {
        "bias_percent": 100.0 * max(biases),
        "spread": statistics.pstdev(centred),
        "outside_percent": 100.0 * outside / count,
        "doses": count,
    }


def main(argv: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="python3 tests benchmarks accuracy")
    parser.add_argument("--servings", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args(argv)
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    found = {}
    for way in WAYS:
        found[way] = summary(serve(way, asked.servings, asked.seed))
        one = found[way]
        print(
            f"{way:10}  largest |bias| of a line {one['bias_percent']:6.2f} %   spread / perfect "
            f"{one['spread'] / found['perfect']['spread']:6.2f}   outside MI-008 {one['outside_percent']:6.2f} % "
            f"of {one['doses']:.0f} doses",
            flush=True,
        )
    good = found["fresh"]
    reached = (
        good["bias_percent"] <= 0.5
        and good["spread"] <= 1.1 * found["perfect"]["spread"]
        and good["outside_percent"] == 0.0
    )
    print(
        "reach, fresh: bias <= 0.5 %, spread <= 1.1 x perfect, every dose inside MI-008: "
        + ("reached" if reached else "MISSED")
    )
    biases = ", ".join(f"{way} {found[way]['bias_percent']:.2f}" for way in EFFECTS_OF)
    outside = ", ".join(f"{way} {found[way]['outside_percent']:.2f}" for way in EFFECTS_OF)
    print(
        f"accuracy: {asked.servings} servings, seed {asked.seed}: bias % {biases}; outside MI-008 % {outside}; "
        f"fresh spread {good['spread'] / found['perfect']['spread']:.2f} x perfect"
    )
    return 0 if reached else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
