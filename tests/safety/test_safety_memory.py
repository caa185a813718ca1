"""Memory as the records leave it, step by step, on hand-made records."""

from typing import Any

import pytest
from msgspec import to_builtins
from msgspec.structs import replace

from controller.model.fields import like
from controller.model.messages import Ended
from controller.model.plan import Interval
from controller.model.states import Contents, OperationKind, Outcome
from controller.safety.memory import SEEN, apply, credited_s, replay
from controller.safety.records import (
    AcknowledgedRecord,
    AdmittedRecord,
    CalibrationRecord,
    ClockRecord,
    EndedRecord,
    Fault,
    FaultRecord,
    LearnedRecord,
    LineRecord,
    LineState,
    Memory,
    Note,
    Serving,
    Stamped,
    Started,
    UnheldRecord,
)
from tests.guard.guard_parts import CAPS, run_of, serve
from tests.safety.core_parts import EXACT, calibration

JUICE = "apple juice"


def at(mono_s: float, record, wall_s: float | None = None) -> Stamped:
    """A record; the wall clock runs along, 1000 s ahead, unless told otherwise."""
    return Stamped(mono_s=mono_s, wall_s=mono_s + 1000 if wall_s is None else wall_s, record=record)


def started(boot: str = "b1", **more: Any) -> Started:
    return Started(boot=boot, caps=to_builtins(CAPS), **more)


def ended(kind: OperationKind = OperationKind.SERVE, name: str = "s1", **more: Any) -> EndedRecord:
    event = Ended(operation=name, kind=kind, outcome=Outcome.DONE, reason="", deliveries=())
    return EndedRecord(ended=event, **({"ethanol_g": 0.0} | more))


def admitted(name: str = "s1", ethanol_g: float = 0.0, kind: OperationKind = OperationKind.SERVE) -> AdmittedRecord:
    return AdmittedRecord(operation=replace(serve(run_of(1, JUICE, 0, 5), name=name), kind=kind), ethanol_g=ethanol_g)


NOTE = Note(text="nothing")


@pytest.mark.parametrize(
    ("records", "credited"),
    [
        ([at(50, started())], 0.0),  # nothing is known of the time before the first record
        ([at(50, started()), at(50.25, NOTE), at(53, NOTE)], 3.0),
        ([at(50, started()), at(53, NOTE, 99_999), at(54, NOTE, 5)], 4.0),  # the wall clock does not matter
        ([at(50, started()), at(53, NOTE), at(60, started())], 10.0),  # a restart in the same boot
        ([at(50, started()), at(53, NOTE, 2000), at(5, started("b2"), 2100)], 103.0),  # another boot: 100 s by the wall
        ([at(50, started()), at(53, NOTE, 2000), at(5, started("b2"), 1900)], 3.0),  # the wall clock went back
        ([at(50, started()), at(53, ClockRecord(stepped_s=600), 2600), at(5, started("b2"), 2700)], 103.0),
        # A boot with a clock that is behind, and another with it right: 60 s by the wall, however they are split.
        ([at(50, started(), 5000), at(5, started("b2"), 1000), at(5, started("b3"), 5060)], 60.0),
        ([at(50, started(), 5000), at(5, started("b2"), 1000), at(45, NOTE, 1040), at(5, started("b3"), 5060)], 60.0),
        ([at(50, started(), 5000), at(5, started("b2"), 1000), at(95, NOTE, 1090), at(5, started("b3"), 5060)], 90.0),
        # The same while it runs: set back, then a boot with it right.
        ([at(50, started(), 5000), at(60, ClockRecord(stepped_s=-4000), 1010), at(5, started("b2"), 5060)], 60.0),
        # Set forward by mistake and back: time between boots counts again once the wall clock is past that.
        ([at(50, started(), 5000), at(51, NOTE, 9000), at(52, NOTE, 5002), at(5, started("b2"), 5060)], 2.0),
        ([at(50, started(), 5000), at(51, NOTE, 9000), at(52, NOTE, 5002), at(5, started("b2"), 9060)], 61.0),
    ],
)
def test_the_credited_clock(records, credited):
    memory = replay(records)
    assert memory.credited_s == pytest.approx(credited)
    assert credited_s(memory, memory.mono_s + 2.5) == pytest.approx(credited + 2.5)
    assert credited_s(memory, memory.mono_s - 9) == pytest.approx(credited)


def test_a_serving_is_booked_when_it_is_admitted_and_corrected_when_it_ends():
    memory = replay([at(0, started()), at(10, admitted(ethanol_g=9.0))])
    assert memory.servings == (Serving(at_s=10.0, ethanol_g=9.0),)
    assert memory.unfinished == admitted(ethanol_g=9.0)
    memory = apply(memory, at(25, ended(ethanol_g=7.5)))
    assert memory.servings == (Serving(at_s=25.0, ethanol_g=7.5),)
    assert memory.last_ended is not None
    assert (memory.unfinished, memory.last_serving_s, memory.last_ended.operation) == (None, 25.0, "s1")


def test_going_on_after_a_hold_books_anew():
    unheld = UnheldRecord(operation="s1", runs=(run_of(1, JUICE, 0, 3),), ethanol_g=8.0)
    memory = replay([at(0, started()), at(10, admitted(ethanol_g=9.0)), at(20, unheld)])
    assert memory.servings == (Serving(at_s=20.0, ethanol_g=8.0),)
    assert memory.resumed == (unheld,)
    assert apply(memory, at(30, ended())).resumed == ()


def test_other_operations_are_no_servings():
    records = [at(0, started()), at(5, admitted("s1", 9.0)), at(6, ended(ethanol_g=9.0))]
    prime = admitted("p1", kind=OperationKind.PRIME)
    memory = replay([*records, at(100, prime), at(110, ended(OperationKind.PRIME, "p1"))])
    assert memory.servings == (Serving(at_s=6.0, ethanol_g=9.0),)
    assert memory.last_serving_s == 6.0


def test_servings_older_than_an_hour_are_let_go():
    records = [at(0, started()), at(5, admitted("s1", 9.0)), at(6, ended(ethanol_g=9.0))]
    memory = replay([*records, at(3605.9, admitted("s2", 1.0))])
    assert [one.ethanol_g for one in memory.servings] == [9.0, 1.0]
    memory = replay([*records, at(3606.0, admitted("s2", 1.0))])
    assert [one.ethanol_g for one in memory.servings] == [1.0]


def test_on_times_follow_from_the_edges_and_are_kept_for_the_duty_window():
    edges = ((1, True, 0.0), (2, True, 0.5), (1, False, 4.0), (2, False, 6.5), (1, True, 8.0), (1, False, 9.0))
    memory = replay([at(0, started()), at(10, admitted()), at(30, ended(began_s=12.0, edges=edges))])
    assert memory.on_times == (
        Interval(line=1, start_s=12.0, end_s=16.0),
        Interval(line=2, start_s=12.5, end_s=18.5),
        Interval(line=1, start_s=20.0, end_s=21.0),
    )
    later = apply(memory, at(16 + CAPS.duty_window_s, ended()))
    assert [(one.line, one.end_s) for one in later.on_times] == [(2, 18.5), (1, 21.0)]


def test_a_fault_keeps_its_first_cause_until_it_is_acknowledged():
    first, second = Fault(cause="board", text="x"), Fault(cause="inputs", text="y")
    memory = replay([at(0, started()), at(1, FaultRecord(fault=first)), at(2, FaultRecord(fault=second))])
    assert memory.fault == first
    assert apply(memory, at(3, AcknowledgedRecord(cause="board"))).fault is None


def test_the_pause_between_servings_counts_from_the_acknowledgement_of_a_fault():
    fault, acknowledged = FaultRecord(fault=Fault(cause="board", text="x")), AcknowledgedRecord(cause="board")
    before_any = [at(0, started()), at(1, fault), at(2, acknowledged)]
    assert replay(before_any).last_serving_s is None
    after_one = [at(0, started()), at(5, admitted()), at(6, ended()), at(7, fault), at(9, acknowledged)]
    assert replay(after_one).last_serving_s == 9.0


def test_lines_and_calibrations_are_replaced_one_by_one():
    one, two = LineState(line=1, assigned=JUICE), LineState(line=2)
    memory = replay([at(0, started(lines=(two, one)))])
    assert memory.lines == (one, two)
    changed = replace(one, contents=Contents.LIQUID)
    memory = apply(memory, at(1, LineRecord(state=changed)))
    assert memory.lines == (changed, two)
    memory = replay([at(2 + k, CalibrationRecord(calibration=one)) for k, one in enumerate(EXACT)], memory)
    better = calibration(1, JUICE, flow_ml_s=1.9)
    other_liquid = calibration(1, "cold tea", flow_ml_s=1.8)
    memory = replay([at(9, CalibrationRecord(calibration=new)) for new in (better, other_liquid)], memory)
    assert [(c.line, c.liquid, c.flow_ml_s) for c in memory.calibrations if c.line == 1] == [
        (1, JUICE, 1.9),
        (1, "cold tea", 1.8),
    ]
    assert len(memory.calibrations) == 5
    learned = like(LearnedRecord, better, flow_ml_s=1.92, lag_s=0.07)
    after = apply(memory, at(12, learned))
    pairs = zip(memory.calibrations, after.calibrations, strict=True)
    assert [(old, new) for old, new in pairs if old != new] == [(better, replace(better, flow_ml_s=1.92, lag_s=0.07))]


def test_the_latest_ids_are_remembered():
    memory = replay([at(0, started()), *(at(1 + k, admitted(f"s{k}")) for k in range(SEEN + 10))])
    assert memory.seen == tuple(f"s{k}" for k in range(10, SEEN + 10))


def test_a_snapshot_stands_for_all_before_it():
    before = replay([at(0, started(lines=(LineState(line=1),))), at(10, admitted(ethanol_g=9.0))])
    assert replay([at(3, NOTE), at(10, before)]) == before
    assert replay([at(10, before), at(12, NOTE)]).credited_s == before.credited_s + 2


def test_an_empty_journal_is_an_empty_memory():
    assert replay([]) == Memory()
