"""Memory, processor, start, answers and wear of the running machine, on the bench, in real time.

python3 tests benchmarks footprint [--idle S] [--servings N] [--folder DIR]

The ledger and the journal lie in DIR (by default below /var/tmp): on a memory file system nothing is counted as
written. Syncs are counted by strace, where it is installed.
"""

import argparse
import contextlib
import json
import re
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import psutil

ROOT = Path(__file__).resolve().parent.parent.parent
PROFILE, BOOK = ROOT / "hardware_profiles/bench_six_line.yaml", ROOT / "demo/orchard_fete.yaml"
RECIPE, GLASS, LINES = "Windfall Punch", "tumbler", (1, 2, 3, 5)
START_S = 60.0
MIB = 1024 * 1024

# (figure, unit, at most): what the README promises.
LIMITS = {
    "guard memory": ("MB", 35.0),
    "engine memory": ("MB", 70.0),
    "guard idle": ("% of a core", 0.3),
    "engine idle": ("% of a core", 0.5),
    "status": ("ms", 200.0),
    "written per serving": ("KiB", 16.0),
    "syncs per serving": ("", 4.0),
}


@dataclass(frozen=True)
class Machine:
    """The running processes and where their sockets lie."""

    run_dir: Path
    guard: psutil.Process
    engine: psutil.Process

    @property
    def both(self) -> tuple[psutil.Process, psutil.Process]:
        return self.guard, self.engine


def tundish(run_dir: Path, *words: str) -> dict:
    """One command's answer; RuntimeError when it failed."""
    done = subprocess.run(
        [sys.executable, "-m", "controller.cli", *words, "--run-dir", run_dir, "--json"],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise RuntimeError(f"tundish {' '.join(words)}: {done.stdout}{done.stderr}")
    return json.loads(done.stdout)


@contextlib.contextmanager
def running(folder: Path) -> Iterator[tuple[Machine, float]]:
    """The machine on the bench, and how long it took to answer (s)."""
    run_dir = folder / "run"
    started_s = time.monotonic()
    places = ["--run-dir", run_dir, "--state-dir", folder / "state"]
    command = [sys.executable, "-m", "controller.cli", "up", "--profile", PROFILE, "--book", BOOK, *places]
    up = subprocess.Popen([*command, "--glass", GLASS], stdout=subprocess.DEVNULL)
    try:
        while True:
            with contextlib.suppress(RuntimeError):
                if tundish(run_dir, "status")["guard_connected"]:
                    break
            if up.poll() is not None or time.monotonic() - started_s > START_S:
                raise RuntimeError("the machine did not start")
            time.sleep(0.1)
        ready_s = time.monotonic() - started_s
        parts = {child.cmdline()[3]: child for child in psutil.Process(up.pid).children()}
        yield Machine(run_dir, parts["guard"], parts["engine"]), ready_s
    finally:
        up.send_signal(signal.SIGINT)
        up.wait()


def commission(machine: Machine, folder: Path) -> None:
    """Fill the lines, and calibrate them from invented weighings."""
    table = folder / "trials.csv"
    runs = [(2, 9.53), (2, 9.47), (4, 19.6), (4, 19.42), (8, 39.58), (8, 39.46), (12, 59.38), (12, 59.56)]
    table.write_text("on_s,grams\n" + "".join(f"{on_s},{grams}\n" for on_s, grams in runs))
    for line in LINES:
        tundish(machine.run_dir, "prime", str(line), "--jug")
        tundish(machine.run_dir, "calibrate", str(line), "--trials", str(table), "--by", "footprint")


def idle_percent(machine: Machine, seconds: float) -> list[float]:
    """Processor time of guard with its children, and of engine, while nothing happens (% of a core)."""

    def used_s(process: psutil.Process) -> float:
        return sum(sum(one.cpu_times()[:2]) for one in (process, *process.children(recursive=True)))

    before = [used_s(one) for one in machine.both]
    time.sleep(seconds)
    return [100 * (used_s(one) - old) / seconds for one, old in zip(machine.both, before, strict=True)]


@contextlib.contextmanager
def syncs_counted(machine: Machine, folder: Path) -> Iterator[list[int]]:
    """While this lasts, every fsync of guard and engine is counted; the list then holds their number."""
    count: list[int] = []
    if shutil.which("strace") is None:
        yield count
        return
    trace = folder / "syncs.txt"
    pids = [word for one in machine.both for word in ("-p", str(one.pid))]
    command = ["strace", "-f", "-qq", "-e", "trace=fsync,fdatasync,sync_file_range,msync", "-o", trace, *pids]
    strace = subprocess.Popen(command, stderr=subprocess.DEVNULL)
    time.sleep(1.0)
    try:
        yield count
    finally:
        strace.send_signal(signal.SIGINT)
        strace.wait()
    count.append(len(re.findall(r"(?:sync|range)\(", trace.read_text())))


def served(machine: Machine, folder: Path, servings: int) -> tuple[list[float], float | None]:
    """For one serving: KiB that guard and engine wrote, syncs of both (None where they cannot be counted)."""
    before = [one.io_counters().write_bytes for one in machine.both]
    with syncs_counted(machine, folder) as count:
        for _ in range(servings):
            tundish(machine.run_dir, "bench", "glass", "empty")
            view = tundish(machine.run_dir, "pour", RECIPE)
            if view["outcome"] != "done":
                raise RuntimeError(f"the serving ended as {view['outcome']}: {view['reason']}")
            time.sleep(3.0)  # the pause between two servings, and what is written lazily
    written = [one.io_counters().write_bytes - old for one, old in zip(machine.both, before, strict=True)]
    return [one / 1024 / servings for one in written], count[0] / servings if count else None


def status_ms(machine: Machine) -> float:
    """Median of eleven: the whole command, from its start to its end."""
    taken = []
    for _ in range(11):
        started_s = time.monotonic()
        tundish(machine.run_dir, "status")
        taken.append(1000 * (time.monotonic() - started_s))
    return statistics.median(taken)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python3 tests benchmarks footprint", description=__doc__)
    parser.add_argument("--idle", type=float, default=60.0, help="s of doing nothing")
    parser.add_argument("--servings", type=int, default=3)
    parser.add_argument("--folder", type=Path, default=Path("/var/tmp"))
    words = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="tundish-footprint-", dir=words.folder) as name:
        folder = Path(name)
        with running(folder) as (machine, ready_s):
            print(f"bench, guard and engine answer {ready_s:.1f} s after the start of tundish up")
            commission(machine, folder)
            written_kib, syncs = served(machine, folder, words.servings)
            guard, engine = idle_percent(machine, words.idle)
            found = {
                "guard memory": machine.guard.memory_info().rss / MIB,
                "engine memory": machine.engine.memory_info().rss / MIB,
                "guard idle": guard,
                "engine idle": engine,
                "status": status_ms(machine),
                "written per serving": sum(written_kib),
                "syncs per serving": syncs,
            }
    print("KiB written per serving: guard {:.0f}, engine {:.0f}".format(*written_kib))
    over = [tell(name, value) for name, value in found.items()]
    return 1 if any(over) else 0


def tell(name: str, value: float | None) -> bool:
    """Print a figure beside its limit; whether it is over."""
    unit, most = LIMITS[name]
    if value is None:
        print(f"{name:<22} not counted: strace is not installed")
        return False
    is_over = value > most
    print(f"{name:<22} {value:8.2f} {unit:<12} (at most {most:g}){'  OVER' if is_over else ''}")
    return is_over


if __name__ == "__main__":
    sys.exit(main())
