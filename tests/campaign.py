"""Engine, guard and bench in virtual time under drawn troubles: whatever happens, nothing unsafe does.

python3 tests campaign [--seed S] [--runs N] [--jobs J]     runs S, S + 1, ... (default: 1000 runs on all cores)
python3 tests campaign --replay SEED                        one run, with all that happened in it
python3 tests campaign --hostile [...]                      the same with an engine that means harm, on a sound machine
python3 tests campaign --weighed [...]                      the same on machines with a scale, with troubles of its own

Ends with 1 when anything that must hold did not, with the seed of each such run.
"""

import argparse
import multiprocessing
import os
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial

from tests.campaigns.hostile import play_hostile
from tests.campaigns.runs import Finding, play

SHOWN = 10  # failures that are told at length


def campaign(played: Callable[[int], Finding], first: int, runs: int, jobs: int) -> Iterator[Finding]:
    """Findings of these runs, as they come in."""
    seeds = range(first, first + runs)
    if jobs == 1:
        yield from map(played, seeds)
        return
    with multiprocessing.Pool(jobs) as pool:
        yield from pool.imap_unordered(played, seeds, chunksize=8)


def main(argv: list[str]) -> int:
    """Run, and tell what came of it."""
    parser = argparse.ArgumentParser(prog="python3 tests campaign", description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--replay", type=int, metavar="SEED")
    kind = parser.add_mutually_exclusive_group()
    kind.add_argument("--hostile", action="store_true")
    kind.add_argument("--weighed", action="store_true")
    asked = parser.parse_args(argv)
    played, again = (play_hostile, "--hostile --replay") if asked.hostile else (play, "--replay")
    if asked.weighed:
        played, again = partial(play, weighed=True), "--weighed --replay"
    if asked.replay is not None:
        return _replay(played(asked.replay))
    began_s, failed, admitted, seconds = time.monotonic(), list[Finding](), 0, 0.0
    for finding in campaign(played, asked.seed, asked.runs, asked.jobs):
        admitted += finding.admitted
        seconds += finding.seconds
        if finding.text:
            failed.append(finding)
            if len(failed) <= SHOWN:
                replay = f"python3 tests campaign {again} {finding.seed}"
                print(f"seed {finding.seed} {finding.text}\n  {replay}", flush=True)
    took_s = time.monotonic() - began_s
    print(
        f"{asked.runs} runs from seed {asked.seed}: {len(failed)} failed; {admitted} operations, "
        f"{seconds / 3600:.1f} h of machine time in {took_s:.0f} s"
    )
    if failed:
        print("failed seeds: " + " ".join(str(one.seed) for one in sorted(failed, key=lambda one: one.seed)))
    return 1 if failed else 0


def _replay(finding: Finding) -> int:
    print("\n".join(finding.story))
    print(f"seed {finding.seed}: {finding.text or 'all held'}")
    return 1 if finding.text else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
