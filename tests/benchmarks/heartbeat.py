"""Heartbeats and answers to `stop` while people ask all they can, the engine slowed tenfold.

python3 tests benchmarks heartbeat [--rounds 5] [--times 10] [--operations 100000]

Bench, guard and engine as real processes, eight lines, so many operations in the ledger. In each round a drink of eight
liquids is poured; meanwhile plans, menu, history, usage, refusals, hygiene record, calibrations, the description of the
interface and status are asked for without a pause; the glass is lifted and put back, and the drink must go on; then
`stop`. Every step of the engine's loop takes so many times its processor time. A beat is late by what passed since the
one before beyond its interval. Beside it the same without questions: what this computer itself delays. The last line
sums up; exit code 1 when questions delay a beat or an answer to `stop` by more than 50 ms, or a drink does not go on.
"""

import argparse
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from controller.cli.client import address
from controller.errors import TundishError
from controller.model.messages import HEARTBEAT_S
from controller.model.requests import (
    CalibrationRequest,
    FreeDose,
    LineRequest,
    PourRequest,
    TrialsRequest,
    WeighedTrial,
)
from controller.model.views import FitView, OperationView
from tests.ledger.full_ledger import fill
from tests.processes.three_processes import ROOT, Processes

REACH_MS = 50.0
LINES = tuple(range(1, 9))
NAMES = (
    "apple juice",
    "blackcurrant cordial",
    "ginger syrup",
    "lime cordial",
    "cold tea",
    "soda",
    "pear juice",
    "mint",
)
QUESTIONS = (
    "menu",
    "operations?limit=1000",
    "operations?limit=1000&line=3&outcome=stopped",
    "usage",
    "refusals",
    "hygiene/record",
    "calibrations/1",
    "stock",
    "hygiene",
    "status",
    "openapi.json",
    "/metrics",
)


def files(folder: Path) -> tuple[Path, Path]:
    """The machine with eight lines on the bench, and a book with a liquid for each."""
    profile = (ROOT / "hardware_profiles" / "bench_eight_line.yaml").read_text()
    (folder / "profile.yaml").write_text(profile.replace("hour_servings: 60", "hour_servings: 1000"))
    liquids = "".join(f"  - {{liquid: {name}, density: 1000 kg/m3, viscosity: 1 mPa*s}}\n" for name in NAMES)
    lines = "".join(f"  - {{line: {line}, liquid: {NAMES[line - 1]}, container: 5 L}}\n" for line in LINES)
    doses = "".join(f"          - {{liquid: {name}, volume: {10 + k} mL}}\n" for k, name in enumerate(NAMES))
    recipes = "".join(
        f"  - recipe: Number {number}\n    glass: tall glass\n    phases:\n      - doses:\n{doses}"
        for number in range(9)
    )
    glasses = "glasses:\n  - {glass: tall glass, brim: 480 mL, usable: 440 mL}\n"
    (folder / "book.yaml").write_text(f"title: eight\nliquids:\n{liquids}{glasses}lines:\n{lines}recipes:\n{recipes}")
    return folder / "profile.yaml", folder / "book.yaml"


class Slowed(Processes):
    """The three processes, the engine slowed; its beats stand in `beats_path`."""

    def __init__(self, folder: Path, times: float, operations: int) -> None:
        profile, book = files(folder)
        super().__init__(folder, profile=profile, book=book)
        self.state_dir.mkdir()
        fill(self.state_dir / "ledger.db", operations)[0].close()
        self._times, self.beats_path = times, folder / "beats"

    def tundish(self, *words: str) -> "subprocess.Popen[bytes]":
        if words[0] != "engine":
            return super().tundish(*words)
        slowed = ROOT / "tests" / "processes" / "slowed_engine.py"
        command = [sys.executable, str(slowed), str(self._times), str(self.beats_path), *words]
        return subprocess.Popen([*command, "--run-dir", str(self.run_dir)], stdout=self._log, stderr=self._log)

    def make_ready(self) -> None:
        """Prime and calibrate all lines by the nominal flow of each."""
        asked = LineRequest(kind="prime", lines=LINES, jug=True)
        primed = self.http.post("line-operations", OperationView, asked, within_s=60)
        self.wait_for(lambda: self.operation(primed.operation).outcome is not None, 120)
        for line in LINES:
            flow_ml_s = 4.6 if line in (2, 3, 4) else 5.0
            rows = tuple(WeighedTrial(on_s=on_s, grams=flow_ml_s * on_s) for on_s in (4.0, 8.0, 12.0))
            trials = TrialsRequest(line=line, trials=rows)
            self.http.post(address("calibrations", line, "trials"), FitView, trials, within_s=60)
            accept = CalibrationRequest(line=line, sure=True)
            self.http.post(address("calibrations", line), FitView, accept, within_s=60)

    def late_ms(self) -> list[float]:
        """How late each heartbeat was; the first after a start counts from it."""
        found, before_s = [], None
        for row in self.beats_path.read_text().splitlines():
            name, at_s = row.split()
            if name == "Heartbeat" and before_s is not None:
                found.append(1000 * (float(at_s) - before_s - HEARTBEAT_S))
            before_s = float(at_s)
        self.beats_path.write_text("")
        return found


def drink(number: int) -> PourRequest:
    """Eight liquids, in volumes that no drink had before: nothing is known of its plan."""
    volumes = [12.0 + 0.7 * ((3 * line + number) % 11) for line in LINES]
    doses = tuple(FreeDose(liquid=name, volume_ml=ml) for name, ml in zip(NAMES, volumes, strict=True))
    return PourRequest(recipe=f"Drink {number}", glass="tall glass", doses=doses)


class Crowd:
    """Asks on two threads until it is left."""

    def __init__(self, machine: Slowed) -> None:
        self._machine, self._over, self.asked = machine, threading.Event(), 0
        self._threads = [threading.Thread(target=ask) for ask in (self._ask_plans, self._ask_all)]

    def __enter__(self) -> "Crowd":
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        for thread in self._threads:
            thread.join()

    def _ask_plans(self) -> None:
        number = 1000
        while not self._over.is_set():
            number += 1
            self._ask("POST", "plans", drink(number))

    def _ask_all(self) -> None:
        while not self._over.is_set():
            for question in QUESTIONS:
                self._ask("GET", question)

    def _ask(self, method: str, target: str, body: object = None) -> None:
        try:
            self._machine.http._ask(method, target, body, 60)
            self.asked += 1
        except TundishError as error:
            print(f"  {target}: {error}", file=sys.stderr)


def one_round(machine: Slowed, number: int) -> tuple[float, bool]:
    """Pour, lift the glass, put it back, stop: how long the answer to `stop` took (ms), whether the pour went on."""
    operation = machine.http.post("pours", OperationView, drink(number), within_s=60).operation
    with machine.bench() as bench:
        time.sleep(1.5)
        bench.lift_glass()
        machine.wait_for(lambda: machine.operation(operation).waiting_for == "glass")
        bench.place_glass(None)
        end_s = time.monotonic() + 20
        while not machine.closed_contacts() and time.monotonic() < end_s:
            time.sleep(0.05)
        went_on = bool(machine.closed_contacts())
        time.sleep(1.0)
        began_s = time.monotonic()
        machine.http._ask("POST", "stop", None, 60)
        took_ms = 1000 * (time.monotonic() - began_s)
        machine.wait_for(lambda: machine.operation(operation).outcome is not None, 30)
        bench.lift_glass()
        time.sleep(1.5)
        bench.place_glass("tall glass")
        time.sleep(2.5)
    return took_ms, went_on


def print_late(late_ms: dict[str, list[float]], stop_ms: dict[str, list[float]]) -> None:
    """How late beats and answers to stop were, without and with questions."""
    for name in ("quiet", "asked"):
        print(
            f"{name}: {len(late_ms[name])} beats, late by {statistics.median(late_ms[name]):.1f} ms at the median, "
            f"{max(late_ms[name]):.1f} ms at most; answer to stop {statistics.median(stop_ms[name]):.0f} ms at the "
            f"median, {max(stop_ms[name]):.0f} ms at most"
        )


def main(argv: list[str] | None = None) -> int:
    """Rounds without and with questions; the difference is what questions delay."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--times", type=float, default=10.0)
    parser.add_argument("--operations", type=int, default=100_000)
    options = parser.parse_args(argv)
    late_ms: dict[str, list[float]] = {}
    stop_ms: dict[str, list[float]] = {}
    held = asked = 0
    with tempfile.TemporaryDirectory() as folder:
        machine = Slowed(Path(folder), options.times, options.operations)
        try:
            machine.start_all()
            machine.make_ready()
            for name, first in (("quiet", 0), ("asked", options.rounds)):
                crowd = Crowd(machine)
                if name == "asked":
                    crowd.__enter__()
                machine.late_ms()
                rounds = [one_round(machine, first + number) for number in range(options.rounds)]
                late_ms[name], stop_ms[name] = machine.late_ms(), [took_ms for took_ms, _ in rounds]
                held += sum(not went_on for _, went_on in rounds)
                if name == "asked":
                    crowd.__exit__()
                    asked = crowd.asked
        finally:
            machine.close()
    print_late(late_ms, stop_ms)
    beats_ms = max(late_ms["asked"]) - max(0.0, statistics.median(late_ms["quiet"]))
    stops_ms = max(stop_ms["asked"]) - statistics.median(stop_ms["quiet"])
    missed = beats_ms > REACH_MS or stops_ms > REACH_MS or held > 0
    print(
        f"heartbeat: {'missed' if missed else 'reached'}; engine slowed {options.times:g} times, {options.operations} "
        f"operations on record, {asked} questions: "
        f"beats delayed by {beats_ms:.0f} ms at most, answers to stop by {stops_ms:.0f} ms at most, {held} of "
        f"{2 * options.rounds} drinks did not go on after the glass was lifted"
    )
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
