"""Real processes killed and frozen at random moments of real runs: how long until every line is off.

python3 tests benchmarks faults [--rounds N] [--seed S]

What is measured: from the signal to the bench's trace of the last relay pin at its safe level (CLOCK_MONOTONIC, the
same in all processes). The engine's part is played by this process: closing its socket is what the kernel does for an
engine that is killed, falling silent is what a frozen one does.
"""

import argparse
import math
import os
import random
import signal
import sys
import tempfile
import time
from pathlib import Path

from controller.guard.alloff import all_off
from tests.guard.guard_processes import Processes, until

# What is done, and the reach of DESIGN section 7 for it (s, at which quantile).
REACH = {
    "engine killed": (0.050, 0.99),
    "engine frozen": (0.600, 1.0),
    "guard killed": (0.050, 0.99),
    "guard frozen": (0.700, 1.0),
    "sentinel killed": (0.500, 1.0),
    "guard and engine killed": (0.050, 0.99),
    "sentinel killed, then guard": (1.000, 1.0),  # the boot service's last step, all-off, stands behind both
    "sentinel and guard killed at once": (1.000, 1.0),
}


class Round:
    """One run that is interrupted; `signalled_s` is when."""

    def __init__(self, machine: Processes, draw: random.Random) -> None:
        self.machine, self.voice = machine, machine.voice()
        lines = tuple(draw.sample([line.line for line in machine.profile.lines], draw.randint(1, 4)))
        machine.pour(self.voice, lines=lines, seconds=4.0)
        time.sleep(draw.uniform(0.0, 0.3))

    def do(self, what: str) -> float:
        """Do it, wait until every line is off; how long that took (s)."""
        sentinel = self.machine.sentinels()[0]
        at_s = time.monotonic()
        match what:
            case "engine killed":
                self.voice.socket.shutdown(2)
            case "engine frozen":
                at_s = self.voice.fall_silent()
            case "guard killed":
                self.machine.signal(signal.SIGKILL)
            case "guard frozen":
                self.machine.signal(signal.SIGSTOP)
            case "sentinel killed":
                os.kill(sentinel, signal.SIGKILL)
            case "guard and engine killed":
                self.voice.socket.shutdown(2)
                self.machine.signal(signal.SIGKILL)
            case "sentinel killed, then guard":
                os.kill(sentinel, signal.SIGKILL)
                time.sleep(0.002)
                self._kill_and_clear_up()
            case _:
                self.machine.signal(signal.SIGSTOP)  # so that it cannot see the sentinel go
                os.kill(sentinel, signal.SIGKILL)
                self._kill_and_clear_up()
        until(lambda: not self.machine.driven())
        took_s = self.machine.off_at_s() - at_s
        self.machine.rest()
        return took_s

    def _kill_and_clear_up(self) -> None:
        self.machine.signal(signal.SIGKILL)
        self.machine.gone()
        failures = all_off(self.machine.profile, self.machine.bench_socket)
        assert not failures, failures


def main() -> int:
    """Run all kinds in turn; 1 when a reach is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=25, help="of each kind")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    draw = random.Random(options.seed)
    missed = 0
    with tempfile.TemporaryDirectory() as folder:
        machine = Processes(Path(folder))
        try:
            print(f"{'what':<36} {'rounds':>6} {'median':>8} {'p99':>8} {'most':>8}  reach")
            for what, (reach_s, quantile) in REACH.items():
                machine.forget()
                times = sorted(Round(machine, draw).do(what) for _ in range(options.rounds))
                at = times[math.ceil(quantile * len(times)) - 1]
                p99 = times[math.ceil(0.99 * len(times)) - 1]
                missed += at > reach_s
                figures = " ".join(f"{1000 * value:6.1f}ms" for value in (times[len(times) // 2], p99, times[-1]))
                verdict = "" if at <= reach_s else ": MISSED"
                print(f"{what:<36} {len(times):>6} {figures}  {1000 * reach_s:.0f} ms{verdict}", flush=True)
        finally:
            machine.close()
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
