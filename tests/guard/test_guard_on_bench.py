"""Every contact of a whole machine, on the bench in virtual time: the guard's answer and what the pumps did."""

import pytest

from controller.bench.faults import InjectedFault
from controller.config import load
from controller.model.messages import Acknowledge, Changed, Ended, FaultLatchedEvent, Refusal, Start, Unhold
from controller.model.plan import Operation, Segment
from controller.model.states import MachineState, OperationKind, Outcome
from tests.guard.bench_rig import BenchRig
from tests.guard.guard_parts import run_of
from tests.guard.guard_processes import ROOT

LEVEL_LINE = 6


@pytest.fixture(scope="module")
def files():
    found, book, _ = load(ROOT / "hardware_profiles" / "bench_eight_line.yaml", ROOT / "demo" / "orchard_fete.yaml")
    return found, book


@pytest.fixture
def rig(files):
    machine, book = files
    made = BenchRig(machine, book=book, seed=3)
    made.plant.place_glass(book.glasses[0].glass)
    made.primed(1, LEVEL_LINE)
    yield made
    made.guard.close()
    made.plant.close()


def pour(rig: BenchRig, number: int = 1, seconds: float = 8.0) -> None:
    """A serving of one line that runs for a second and more by now."""
    liquid = next(on.liquid for on in rig.book.lines if on.line == number)
    segment = Segment(runs=(run_of(number, liquid, 0, seconds),))
    glass = rig.book.glasses[0].glass
    name = f"pour {len(rig.events)}"
    rig.say(Start(operation=Operation(operation=name, kind=OperationKind.SERVE, segments=(segment,), glass=glass)))
    rig.run(1.5)


def poured_ml(rig: BenchRig) -> float:
    return sum(rig.plant.glass_contents_ml().values())


def rules(rig: BenchRig) -> set[str]:
    """By which rules the next serving is refused."""
    before = len(rig.of(Refusal))
    pour(rig)
    return {refusal.rule for refusal in rig.of(Refusal)[before:]}


def test_stop_pressed(rig):
    pour(rig)
    rig.plant.press_stop()
    rig.run(0.2)
    assert rig.of(FaultLatchedEvent)[-1].cause == "stop pressed"
    assert rig.of(Ended)[-1].outcome is Outcome.FAULTED
    at_stop_ml = poured_ml(rig)
    rig.plant.release_stop()
    rig.run(5)
    assert poured_ml(rig) - at_stop_ml < 2.0  # what the funnel still held
    assert rules(rig) == {"state"}
    rig.say(Acknowledge(cause="stop pressed"))
    rig.run(3)
    assert rules(rig) == {"fresh_glass"}
    rig.plant.lift_glass()
    rig.run(1.5)
    rig.plant.place_glass(rig.book.glasses[0].glass)
    rig.run(0.5)
    assert rules(rig) == set()


def test_glass_lifted_and_put_back(rig):
    pour(rig)
    rig.plant.lift_glass()
    rig.run(0.2)
    changed = rig.of(Changed)[-1]
    assert (changed.state, changed.waiting_for) == (MachineState.HELD, "glass")
    ended = len(rig.of(Ended))
    rig.plant.place_glass()
    rig.run(0.5)
    (run,) = rig.guard.core.memory.unfinished.operation.segments[0].runs
    rig.say(Unhold(operation=changed.operation, runs=(run_of(1, run.liquid, 0, 6),)))
    rig.run(10)
    assert rig.of(Ended)[-1].outcome is Outcome.DONE
    assert len(rig.of(Ended)) == ended + 1


def test_no_glass_and_a_full_tray(rig):
    rig.plant.lift_glass()
    rig.plant.set_tray(full=True)
    rig.run(1)
    assert rules(rig) == {"glass", "drip_tray"}
    rig.plant.place_glass()
    rig.plant.set_tray(full=False)
    rig.run(1)
    assert rules(rig) == set()


def test_a_container_that_runs_low(rig):
    pour(rig, LEVEL_LINE)
    rig.plant.inject(InjectedFault(kind="container empty", line=LEVEL_LINE))
    rig.run(1)
    assert rig.of(Changed)[-1].waiting_for == f"container on line {LEVEL_LINE}"
    assert rig.report().inputs.low_lines == (LEVEL_LINE,)


def test_a_broken_stop_wire_reads_as_pressed(rig):
    pour(rig)
    rig.plant.inject(InjectedFault(kind="input stuck", contact="stop", closed=False))
    rig.run(0.2)
    assert rig.of(FaultLatchedEvent)[-1].cause == "stop pressed"
    assert rig.refused(Acknowledge(cause="stop pressed")).rule == "cause"
