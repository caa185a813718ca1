"""The orchard fete on the bench: calibrate, pour, refuse, stop, and compare what was asked with what is in the glass.

All data are invented. Part 1 runs in virtual time through the same guard, engine and bench code; part 2 is live: three
processes, real time.
"""

import csv
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import structlog
from msgspec.structs import replace

from controller.bench.client import BenchClient
from controller.bench.faults import InjectedFault
from controller.cli.lines.hygiene import write_csv
from controller.cli.pages.hygiene_record import page
from controller.config import load
from controller.engine.slices import at_once
from controller.errors import Refused
from controller.metering.dose import mi008_ml
from controller.model.evening import CloseRequest
from controller.model.messages import TakeCalibration
from controller.model.requests import PastQuery, PourRequest
from controller.model.scale import Scale
from controller.rehearsal.closing import carry_out
from controller.rehearsal.virtual_machine import VirtualMachine
from controller.rehearsal.weighing import calibrate, learn_sag, prime_all, span_scale

HERE = Path(__file__).resolve().parent
PROFILE = HERE.parent / "hardware_profiles" / "bench_six_line.yaml"
BOOK = HERE / "orchard_fete.yaml"
OUT = HERE / "out"
SEED = "7"  # of the simulated machine: the same pumps in both parts
DRINKS = (("Orchard Fizz", 1.0), ("Blackcurrant Spritz", 2.0), ("Ginger Cooler", 1.0), ("Marquee Tea", 1.0))
WORN, LATER_S = 0.04, 2 * 86_400.0  # of their flow, since they were calibrated, for the drink on the scale
LIVE, TOO_MUCH, STOPPED = "Blackcurrant Spritz", "Orchard Fizz", "Ginger Cooler"


class Tally:
    """What went as it should, and what did not."""

    def __init__(self) -> None:
        self.wrong: list[str] = []

    def dose(self, liquid: str, asked_ml: float, glass_ml: float) -> None:
        """Print one dose and hold it against the serving-measure tolerance (Directive 2014/32/EU, MI-008)."""
        error_ml, tolerance_ml = glass_ml - asked_ml, mi008_ml(asked_ml)
        is_inside = abs(error_ml) <= tolerance_ml
        print(
            f"    {liquid:22} asked {asked_ml:6.1f} mL   in the glass {glass_ml:6.1f} mL   error {error_ml:+5.2f} mL"
            f"   tolerance +-{tolerance_ml:4.1f} mL   {'inside' if is_inside else 'OUTSIDE'}",
            flush=True,
        )
        self.expect(is_inside, f"{liquid}: {error_ml:+.2f} mL is outside +-{tolerance_ml:.1f} mL")

    def expect(self, is_so: bool, otherwise: str) -> None:
        """Note what went wrong."""
        if not is_so:
            self.wrong.append(otherwise)


def in_virtual_time(folder: Path, tally: Tally) -> None:
    """Prime, calibrate all lines by weight, pour; the weighed trials are left in the folder for part 2."""
    profile, book, _ = load(PROFILE, BOOK)
    lines = tuple(line.line for line in profile.lines)
    machine = VirtualMachine(profile, book, seed=int(SEED))
    prime_all(machine, lines)
    print("  line  liquid                  flow mL/s        lag s            smallest exact dose")
    for line in lines:
        fit = calibrate(machine, line, by="demo")
        known = fit.calibration
        if known is None:
            raise RuntimeError(f"line {line} was not calibrated")
        print(
            f"  {line:4}  {fit.liquid:22}  {known.flow_ml_s:.3f} +-{2 * known.u_flow_ml_s:.3f}"
            f"   {known.lag_s:+.3f} +-{2 * known.u_lag_s:.3f}   {fit.smallest_dose_ml or 0:.1f} mL",
            flush=True,
        )
        with (folder / f"line-{line}.csv").open("w", newline="") as file:
            rows = csv.writer(file)
            rows.writerow(("on_s", "grams"))
            rows.writerows((trial.on_s, trial.grams) for trial in fit.trials)
    sag = learn_sag(machine, (2, 1, 5, 6), 10.0, by="demo")
    print(f"  lines 1, 2, 5 and 6 together: flow falls by {100 * sag.sag_per_a:.1f} % per ampere that others draw\n")
    for recipe, times in DRINKS:
        pour_virtually(machine, recipe, times, tally)
    on_a_scale(machine, tally)
    end_the_evening(machine, tally)
    print(f"  {machine.clock.now_s() / 60:.0f} min of virtual time")
    machine.close()


def pour_virtually(machine: VirtualMachine, recipe: str, times: float, tally: Tally) -> None:
    """Pour into a fresh tall glass and compare with what the bench says is in it."""
    machine.pass_time(1.5)
    machine.plant.place_glass("tall glass")
    machine.pass_time(1.5)
    print(f"  {recipe}" + (f", {times:g} times" if times != 1 else ""), flush=True)
    view = machine.finish(machine.engine.pour(PourRequest(recipe=recipe, times=times)).operation)
    machine.pass_time(2.0)
    glass_ml = machine.plant.lift_glass()
    for one in view.lines:
        tally.dose(one.liquid, one.asked_ml, glass_ml.get(one.liquid, 0.0))


def on_a_scale(calibrated: VirtualMachine, tally: Tally) -> None:
    """The same pumps two days later, worn, with a load cell under the glass: one drink, weighed and trimmed."""
    profile, book, _ = load(PROFILE, BOOK)
    scale = Scale(converter="bench", capacity_g=5000.0, readings_per_s=10)
    machine = VirtualMachine(replace(profile, scale=scale), book, seed=int(SEED))
    span_scale(machine)
    prime_all(machine, tuple(line.line for line in profile.lines))
    for line in profile.lines:
        known = calibrated.ledger.calibrations(line.line)[-1]
        known = replace(known, taken_wall_s=known.taken_wall_s - LATER_S)
        machine.ledger.add_calibration(known)
        machine.guard.handle("engine", TakeCalibration(calibration=known))
        machine.plant.inject(InjectedFault(kind="tube worn", line=line.line, amount=WORN))
    machine.pass_time(3.0)
    machine.plant.place_glass("tumbler")
    machine.pass_time(2.0)
    print(f"  {LIVE} on a scale, two days later: all pumps are {100 * WORN:.0f} % slower by then", flush=True)
    operation = machine.engine.pour(PourRequest(recipe=LIVE)).operation
    machine.finish(operation)
    machine.pass_time(4.0)
    view, glass_ml = machine.engine.operation(operation), machine.plant.lift_glass()
    for one in view.lines:
        tally.dose(one.liquid, one.asked_ml, glass_ml.get(one.liquid, 0.0))
        if one.weighed is not None:
            print(f"    {'':22} weighed {one.weighed.volume_ml:.1f} +- {2 * one.weighed.u_ml:.1f} mL", flush=True)
    tally.expect(all(one.weighed for one in view.lines), f"{LIVE} was not weighed: {view.unweighed}")
    machine.close()


def end_the_evening(machine: VirtualMachine, tally: Tally) -> None:
    """What is left, then every line purged, cleaned and rinsed step by step; the record for an inspector."""
    print("\n  what is left at the end of the evening:")
    for one in machine.engine.stock.views():
        in_truth_ml = machine.plant.container_ml(one.line)
        print(
            f"    line {one.line}  {one.liquid:22} {one.remaining_ml:6.0f} mL, give or take {2 * one.u_ml:3.0f} mL"
            f"   in truth {in_truth_ml:6.0f} mL",
            flush=True,
        )
        tally.expect(abs(in_truth_ml - one.remaining_ml) <= 2 * one.u_ml, f"line {one.line}: the stock is wrong")
    print("\n  closing:")
    request = CloseRequest(person="the fete's barkeeper", cleaner="beverage line cleaner, by its label")
    for step in carry_out(machine, machine.engine.sequences.close(request)):
        lines = ", ".join(map(str, step.lines))
        what = f"{step.seconds / 60:.0f} min" if step.kind == "wait" else f"{step.volume_ml:.0f} mL into the jug"
        print(f"    {step.kind:6} lines {lines}: {what}", flush=True)
    record = at_once(machine.engine.hygiene.record(PastQuery()))
    tally.expect(
        all(one.cleaned_wall_s is not None and one.clean_by_wall_s is None for one in record.lines),
        "a line was not clean at the end of the evening",
    )
    OUT.mkdir(exist_ok=True)
    write_csv(record, OUT / "fete_hygiene.csv")
    (OUT / "fete_hygiene.html").write_text(page(record), encoding="utf-8")
    print(f"  the record: {os.path.relpath(OUT / 'fete_hygiene.html')}, and the same as .csv\n")


def tundish(*words: str, quiet: bool = False) -> subprocess.CompletedProcess[str]:
    """Run the command as a person would, and show both."""
    if not quiet:
        print("\n$ tundish " + " ".join(f'"{word}"' if " " in word else word for word in words), flush=True)
    return subprocess.run(
        [sys.executable, "-m", "controller.cli", *words],
        text=True,
        check=False,
        stdout=subprocess.PIPE if quiet else None,
        stderr=subprocess.PIPE if quiet else None,
    )


@contextmanager
def machine_up(folder: Path) -> Iterator[None]:
    """Bench, guard and engine as processes, with everything they write below this folder."""
    os.environ["TUNDISH_RUN_DIR"], os.environ["TUNDISH_STATE_DIR"] = str(folder / "run"), str(folder / "state")
    words = ["up", "--profile", str(PROFILE), "--book", str(BOOK), "--seed", SEED, "--glass", "tall glass"]
    print("$ tundish up --profile bench_six_line.yaml --book orchard_fete.yaml   (in the background)", flush=True)
    with (folder / "up.log").open("w") as log:
        up = subprocess.Popen([sys.executable, "-m", "controller.cli", *words], stdout=log, stderr=log)
        try:
            wait_for(lambda: tundish("status", quiet=True).returncode == 0, 20.0)
            yield
        finally:
            up.terminate()
            up.wait(10)


def wait_for(is_so: Callable[[], bool], within_s: float) -> None:
    """Wait until is_so(); TimeoutError after within_s."""
    end_s = time.monotonic() + within_s
    while not is_so():
        if time.monotonic() > end_s:
            raise TimeoutError(f"not so within {within_s:.0f} s")
        time.sleep(0.1)


def live(folder: Path, tally: Tally) -> None:
    """The three processes: prime, take the trials of part 1, pour, be refused, be stopped."""
    with machine_up(folder):
        tally.expect(tundish("prime", "1", "2", "3", "4", "5", "6", "--jug").returncode == 0, "priming failed")
        print("\n  The weighings of part 1 are handed in for each line, as weighings from a notebook would be.")
        for line in range(1, 7):
            done = tundish("calibrate", str(line), "--trials", str(folder / f"line-{line}.csv"), "--sure", quiet=True)
            tally.expect(done.returncode == 0, f"calibrating line {line} failed: {done.stderr}")
        tally.expect(tundish("sag", "2", "1", "5", "6", "--scale", "bench").returncode == 0, "learning the sag failed")
        fresh_glass(folder)
        OUT.mkdir(exist_ok=True)
        tally.expect(
            tundish("plan", LIVE, "--picture", os.path.relpath(OUT / "plan.svg")).returncode == 0, "plan failed"
        )
        pour_live(folder, tally)
        time.sleep(2.0)  # the pause between two servings is a cap of its own
        fresh_glass(folder)
        print("\n  Twice an Orchard Fizz is more than a serving may hold:")
        tally.expect(tundish("pour", TOO_MUCH, "--times", "2").returncode == 1, "the double was not refused")
        stop_half_way(folder, tally)
        tally.expect(tundish("history").returncode == 0, "history failed")


def fresh_glass(folder: Path) -> None:
    """Lift what stands there and set an empty tall glass."""
    with BenchClient(folder / "run" / "bench.sock") as bench:
        if bench.report().glass is not None:
            bench.lift_glass()
        time.sleep(1.3)  # a shorter absence is no other glass
        bench.place_glass("tall glass")
    time.sleep(0.5)


def pour_live(folder: Path, tally: Tally) -> None:
    """One drink in real time."""
    tally.expect(tundish("pour", LIVE).returncode == 0, f"{LIVE} was not poured")
    time.sleep(1.5)
    asked = json.loads(tundish("history", "--json", quiet=True).stdout)
    latest = next(one for one in asked if one["recipe"] == LIVE)
    with BenchClient(folder / "run" / "bench.sock") as bench:
        glass_ml = bench.glass_contents_ml()
    print(f"\n  {LIVE}, live:")
    for one in latest["lines"]:
        tally.dose(one["liquid"], one["asked_ml"], glass_ml.get(one["liquid"], 0.0))


def stop_half_way(folder: Path, tally: Tally) -> None:
    """Begin a drink and stop it from a second terminal."""
    fresh_glass(folder)
    print(f'\n$ tundish pour "{STOPPED}"   (and tundish stop from a second terminal after 4 s)', flush=True)
    pour = subprocess.Popen([sys.executable, "-m", "controller.cli", "pour", STOPPED])
    time.sleep(4.0)
    tally.expect(tundish("stop", quiet=True).returncode == 0, "stop failed")
    tally.expect(pour.wait(10) == 1, "the stopped pour did not end as stopped")
    with BenchClient(folder / "run" / "bench.sock") as bench:
        tally.expect(not any(line.contact_closed for line in bench.report().lines), "a relay stayed closed after stop")


def main() -> int:
    """Both parts; 0 only if every dose was inside its tolerance and every refusal came as expected."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    began_s, tally = time.monotonic(), Tally()
    with tempfile.TemporaryDirectory(prefix="tundish-") as name:
        folder = Path(name)
        print("Part 1, in virtual time: calibrate six lines on the bench's scale, then pour.\n", flush=True)
        try:
            in_virtual_time(folder, tally)
        except Refused as refusal:
            tally.expect(False, str(refusal))
        print("\nPart 2, live: three processes, real time.\n", flush=True)
        live(folder, tally)
    print(f"\npicture of the plan: {os.path.relpath(OUT / 'plan.svg')}")
    print(
        f"{time.monotonic() - began_s:.0f} s in all; " + ("everything as expected." if not tally.wrong else "NOT so:")
    )
    for one in tally.wrong:
        print(f"  {one}")
    return 1 if tally.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
