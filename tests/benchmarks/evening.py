"""How long a rehearsed evening takes: 8 h and 240 servings in virtual time, from calibration to the last rinse.

python3 tests benchmarks evening [--weighed] [--seed S] [--profile]

The fete of the demo, with guests who take 2.5 drinks each, neither more nor less: 96 guests, 240 servings. Reach: 10 s
of processor time, loading and preparing included; with --weighed, on a scale of 10 readings a second, 30 s. One process
does it all, so on a computer that does nothing else the wall shows the same. --profile prints where the time goes
instead.
"""

import argparse
import cProfile
import pstats
import sys
import time
from pathlib import Path

import msgspec
import structlog

from controller.cli.pages.rehearsal_report import page
from controller.config import load_event
from controller.model.event import DrinksPerGuest
from controller.model.scale import Scale
from controller.rehearsal.evening import rehearse
from controller.rehearsal.evening_record import Evening

ROOT = Path(__file__).resolve().parents[2]
REACH_S, REACH_WEIGHED_S = 10.0, 30.0
SCALE = Scale(converter="bench", capacity_g=5000.0, readings_per_s=10)


def one_evening(seed: int, *, weighed: bool) -> Evening:
    """Load, prepare, rehearse, and draw the report."""
    event, profile, book, _ = load_event(
        ROOT / "demo/fete_event.yaml", ROOT / "hardware_profiles/bench_six_line.yaml", ROOT / "demo/orchard_fete.yaml"
    )
    if weighed:
        profile = msgspec.structs.replace(profile, scale=SCALE)
    fixed = DrinksPerGuest(mean=2.5, distribution="fixed")
    found = rehearse(msgspec.structs.replace(event, drinks_per_guest=fixed), profile, book, seed=seed)
    page(found)
    return found


def main(argv: list[str]) -> int:
    """Print wall and processor time and what was served in it."""
    parser = argparse.ArgumentParser(prog="python3 tests benchmarks evening")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--weighed", action="store_true")
    parser.add_argument("--profile", action="store_true")
    asked = parser.parse_args(argv)
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(50))
    if asked.profile:
        watcher = cProfile.Profile()
        watcher.runcall(one_evening, asked.seed, weighed=asked.weighed)
        pstats.Stats(watcher).sort_stats("tottime").print_stats(25)
        return 0
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    found = one_evening(asked.seed, weighed=asked.weighed)
    wall_s, cpu_s = time.perf_counter() - wall_s, time.process_time() - cpu_s
    virtual_h = (found.day_before_s + found.lasts_s + found.cleaning_s) / 3600.0
    print(
        f"{len(found.served)} servings, {len(found.doses)} doses, {virtual_h:.1f} h of virtual time: {wall_s:.1f} s of "
        f"wall time, {cpu_s:.1f} s of processor time"
    )
    reach_s = REACH_WEIGHED_S if asked.weighed else REACH_S
    print(f"reach: {reach_s:g} s of processor time: {'reached' if cpu_s <= reach_s else 'MISSED'}")
    return 0 if cpu_s <= reach_s else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
