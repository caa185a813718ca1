"""Real processes on the machine with a main relay: the sentinel opens it, also when a relay is stuck on."""

import time

import pytest

from controller.bench.faults import InjectedFault
from controller.bench.trace import ContactEntry, read_trace
from controller.model.requests import LineRequest
from controller.model.views import OperationView
from controller.safety.plausibility import CURRENT_OFF
from tests.processes.three_processes import ROOT, Processes

LINE = 4


@pytest.fixture
def machine(tmp_path):
    made = Processes(
        tmp_path,
        profile=ROOT / "hardware_profiles" / "bench_eight_line.yaml",
        book=ROOT / "demo" / "harvest_supper.yaml",
    )
    try:
        made.start_all()
        yield made
    finally:
        made.close()


def prime(machine):
    """Begin to prime a line, and wait until its pump draws current."""
    asked = LineRequest(kind="prime", lines=(LINE,), jug=True)
    operation = machine.http.post("line-operations", OperationView, asked).operation
    machine.wait_for(lambda: pumps_a(machine) > 0.1)
    return operation


def pumps_a(machine):
    with machine.bench() as bench:
        return bench.report().pumps_a


def test_a_killed_guards_main_relay_is_opened_by_the_sentinel_even_when_the_channel_sticks(machine):
    prime(machine)
    with machine.bench() as bench:
        bench.inject(InjectedFault(kind="relay stuck on", line=LINE))
    machine.kill("guard")
    machine.wait_for(lambda: pumps_a(machine) == 0)
    time.sleep(0.3)
    assert pumps_a(machine) == 0
    assert machine.closed_contacts() == {LINE}  # the channel still sticks: without a main relay its pump would run on


def test_a_relay_that_sticks_is_found_after_its_end_and_the_main_relay_opened(machine):
    operation = prime(machine)
    with machine.bench() as bench:
        bench.inject(InjectedFault(kind="relay stuck on", line=LINE))
    machine.wait_for(lambda: machine.status().fault == CURRENT_OFF)
    machine.wait_for(lambda: pumps_a(machine) == 0)
    assert "line 4 (relay channel 4)" in machine.operation(operation).reason
    contacts = [one for one in read_trace(machine.trace_path) if isinstance(one, ContactEntry) and one.line == LINE]
    assert contacts[-1].closed
