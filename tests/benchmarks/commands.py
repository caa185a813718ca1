"""How long commands take, in processor time: what a person waits for on an idle computer.

python3 tests benchmarks commands [--rounds N]

A machine on the bench is commissioned and started anew, in folders of its own. What the engine answers counts its
time too. Ends with 1 when a median is above its limit.
"""

import argparse
import os
import resource
import shlex
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import psutil

from tests.benchmarks.footprint import BOOK, PROFILE, RECIPE, commission, running

ANSWERED_S = 0.3  # the engine answers
FILES_S = 0.6  # files are read
FIRST_MENU_S = 0.5

ANSWERED = (
    "status", "menu", "menu orchard", f"plan '{RECIPE}'", "stock", "hygiene", "history", "commissioned",
    "calibration 2", "bench show",
)  # fmt: skip
FILES = (
    f"check --profile {PROFILE} --book {BOOK}", f"check --profile {PROFILE}", f"wiring --profile {PROFILE}",
    f"budget --profile {PROFILE}", "schema profile", "journal",
)  # fmt: skip


def spent_s(words: str, places: dict[str, str]) -> float:
    """Processor time of one command (s); RuntimeError when it fails."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    done = subprocess.run(
        [sys.executable, "-m", "controller.cli", *shlex.split(words)],
        env=os.environ | places,
        capture_output=True,
        text=True,
        check=False,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode:
        raise RuntimeError(f"tundish {words}: {done.stdout}{done.stderr}")
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def engine_s(engine: psutil.Process) -> float:
    """Processor time that the engine and its worker have taken (s)."""
    times = [one.cpu_times() for one in (engine, *engine.children(recursive=True))]
    taken: float = sum(one.user + one.system for one in times)
    return taken


def main() -> int:
    """Measure, print a line for each command, and say which are too slow."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    slow = []

    def tell(words: str, took_s: list[float], limit_s: float, remark: str = "") -> None:
        short = " ".join(Path(word).stem if "/" in word else word for word in words.split())
        print(f"{statistics.median(took_s):6.3f} s  at most {limit_s:.1f} s  {short}{remark}", flush=True)
        if statistics.median(took_s) > limit_s:
            slow.append(short)

    with tempfile.TemporaryDirectory(prefix="tun") as name:
        folder = Path(name)
        places = {"TUNDISH_RUN_DIR": f"{name}/run", "TUNDISH_STATE_DIR": f"{name}/state"}
        with running(folder, has_scale=False) as (machine, _):
            commission(machine, folder)
        with running(folder, has_scale=False) as (machine, _):

            def answered_s(words: str) -> float:
                before_s = engine_s(machine.engine)
                return spent_s(words, places) + engine_s(machine.engine) - before_s

            tell("menu", [answered_s("menu")], FIRST_MENU_S, ", the first after a start")
            for words in ANSWERED:
                tell(words, [answered_s(words) for _ in range(rounds)], ANSWERED_S)
        for words in FILES:
            tell(words, [spent_s(words, places) for _ in range(rounds)], FILES_S)
    print(f"{len(ANSWERED) + len(FILES) + 1} commands, {len(slow)} above the limit: {', '.join(slow) or 'none'}")
    return 1 if slow else 0


if __name__ == "__main__":
    sys.exit(main())
