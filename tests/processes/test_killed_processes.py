"""Real processes killed in mid-pour: the channels go off, nothing is lost, nothing starts again by itself.

How soon they go off is measured by the benchmark `faults`.
"""

import os
import signal
import subprocess
import sys
import time

import pytest

from controller.cli.client import RefusedByRules
from controller.model.states import Contents
from tests.processes.three_processes import PROFILE, Outcome, Processes

POURING = (3, 4, 5)  # the lines of the drink that is poured here


def started(folder):
    made = Processes(folder)
    try:
        made.start_all()
        made.prepare()
        yield made
    finally:
        made.close()


@pytest.fixture(scope="module")
def machine(tmp_path_factory):
    yield from started(tmp_path_factory.mktemp("three"))


@pytest.fixture
def fresh_machine(tmp_path):
    """For a test that needs lines which no earlier crash has made unknown."""
    yield from started(tmp_path)


def settle(machine):
    """A fresh glass, and the pause between two servings."""
    with machine.bench() as bench:
        bench.lift_glass()
        time.sleep(1.3)
        bench.place_glass("tall glass")
    time.sleep(2.5)


def all_off_by_command(machine):
    words = ["all-off", "--profile", str(PROFILE), "--run-dir", str(machine.run_dir)]
    return subprocess.run([sys.executable, "-m", "controller.cli", *words], capture_output=True, check=False, text=True)


def test_a_killed_engine_leaves_every_channel_off(machine):
    settle(machine)
    operation = machine.pour()
    machine.kill("engine")
    machine.wait_for(lambda: not machine.closed_contacts())
    machine.start("engine")
    machine.wait_for(lambda: machine.operation(operation).outcome is not None)
    view = machine.operation(operation)
    assert (view.outcome, view.reason) == (Outcome.ABORTED, "engine connection lost")
    assert sum(one.delivered_ml for one in view.lines) > 0


def test_a_frozen_engine_leaves_every_channel_off(machine):
    settle(machine)
    operation = machine.pour()
    machine.send("engine", signal.SIGSTOP)
    machine.wait_for(lambda: not machine.closed_contacts())
    machine.send("engine", signal.SIGCONT)
    machine.wait_for(lambda: machine.operation(operation).outcome == Outcome.ABORTED)
    assert machine.operation(operation).reason == "no heartbeat from the engine for 0.5 s"


def test_a_killed_guard_is_followed_by_its_sentinel(machine):
    settle(machine)
    operation = machine.pour()
    remaining = {one.line: one.remaining_ml for one in machine.status().lines}
    machine.kill("guard")
    machine.wait_for(lambda: not machine.closed_contacts())
    after_restart(machine, operation, remaining)


def test_guard_and_sentinel_both_killed_leave_it_to_all_off(fresh_machine):
    machine = fresh_machine
    settle(machine)
    operation = machine.pour()
    remaining = {one.line: one.remaining_ml for one in machine.status().lines}
    sentinel = machine.sentinel_pid()
    machine.send("guard", signal.SIGSTOP)  # so that it cannot start another sentinel
    os.kill(sentinel, signal.SIGKILL)
    machine.kill("guard")
    time.sleep(0.3)
    assert machine.closed_contacts() == set(POURING)  # pins stay driven when nobody is left: that is what it is for
    done = all_off_by_command(machine)
    assert done.returncode == 0, done.stderr
    time.sleep(0.05)
    assert not machine.closed_contacts()
    after_restart(machine, operation, remaining)


def after_restart(machine, operation, remaining):
    """Lines that served their own liquid keep it, the most they may have moved is booked, and no pump starts."""
    at_s = time.monotonic()
    machine.start("guard")
    machine.wait_for(lambda: machine.operation(operation).outcome is not None)
    assert machine.operation(operation).outcome == Outcome.ABORTED
    after = {one.line: one for one in machine.status().lines}
    for line in POURING:
        assert after[line].contents == Contents.LIQUID
        booked_ml = remaining[line] - after[line].remaining_ml
        assert booked_ml >= 4.0 * 0.2  # at the least what ran before the kill ...
        assert booked_ml <= 6.5 * 30.0  # ... at the most what the whole plan could have moved
    for line in (1, 2, 6):
        assert after[line].contents == Contents.LIQUID
        assert after[line].remaining_ml == remaining[line]
    assert all(one.at_most for one in machine.operation(operation).lines)
    assert machine.closings_after(at_s) == []
    with pytest.raises(RefusedByRules):
        machine.pour()  # the glass of the drink that was cut short still stands there
