"""Windows of runs: caps hold at every longest end, and a trim moves the end inside and nowhere else."""

import math

import pytest
from msgspec.structs import replace

from controller.model.messages import Admitted, Edge, Event, Refusal, Start, Stop, Trim, Unhold
from controller.model.plan import Operation, Segment
from controller.model.states import OperationKind
from controller.safety.records import AdmittedRecord, EndedRecord
from tests.guard.guard_parts import GLASS, Rig, exact, prime, profile, records, run_of


@pytest.fixture
def rig():
    return Rig(exact(profile())).primed(1, 2)  # 2 mL/s, no more and no less


def serving(*runs) -> Operation:
    return Operation(
        operation="fizz",
        kind=OperationKind.SERVE,
        segments=(Segment(runs=runs),),
        glass="tumbler",
        empty_glass=True,
    )


def windowed(least_s: float | None, most_s: float | None, *, line: int = 1, start_s: float = 0.0, on_s: float = 5.0):
    liquid = {1: "apple juice", 2: "ginger syrup"}[line]
    return replace(run_of(line, liquid, start_s, on_s), shortest_s=least_s, longest_s=most_s)


def begin(rig: Rig, *runs) -> list[Event]:
    return rig.say(Start(operation=serving(*runs)))


def on_s(rig: Rig, line: int = 1) -> float:
    """How long the line was on in the serving."""
    edges = [one for one in rig.of(Edge) if one.operation == "fizz" and one.line == line]
    return edges[1].at_s - edges[0].at_s


@pytest.mark.parametrize(
    ("asked_s", "on_for_s"), [(5.5, 5.5), (4.2, 4.2), (60.0, 6.0), (0.1, 4.0), (-5.0, 4.0), (None, 5.0)]
)
def test_an_end_is_moved_within_the_window_and_stands_where_nothing_is_heard(rig, asked_s, on_for_s):
    begin(rig, windowed(4.0, 6.0))
    rig.run(1.0)
    if asked_s is not None:
        assert rig.say(Trim(operation="fizz", line=1, end_s=asked_s)) == []
    rig.run(8.0)
    assert on_s(rig) == pytest.approx(on_for_s, abs=1e-6)


def test_an_end_that_is_past_switches_off_at_once(rig):
    begin(rig, windowed(1.0, 6.0))
    rig.run(3.0)
    rig.say(Trim(operation="fizz", line=1, end_s=2.0))
    assert rig.board.on == set()
    assert on_s(rig) == pytest.approx(3.0, abs=1e-6)


def test_a_run_that_is_to_come_can_be_trimmed_ahead_and_one_without_a_window_never(rig):
    begin(rig, windowed(4.0, 6.0, line=1), windowed(None, None, line=2, start_s=1.0))
    rig.say(Trim(operation="fizz", line=2, end_s=10.0))
    rig.run(0.5)
    rig.say(Trim(operation="fizz", line=2, end_s=10.0))
    rig.run(10.0)
    assert on_s(rig, 2) == pytest.approx(5.0, abs=1e-6)


def test_a_trim_for_another_operation_or_none_is_dropped_and_one_that_is_no_number_refused(rig):
    assert rig.say(Trim(operation="fizz", line=1, end_s=1.0)) == []
    begin(rig, windowed(1.0, 6.0))
    rig.run(0.5)
    assert rig.say(Trim(operation="other", line=1, end_s=1.0)) == []
    assert [one.rule for one in rig.say(Trim(operation="fizz", line=1, end_s=math.nan))] == ["plan"]
    rig.run(8.0)
    assert on_s(rig) == pytest.approx(5.0, abs=1e-6)


@pytest.mark.parametrize(
    ("runs", "rule"),
    [
        ((windowed(1.0, 130.0, on_s=100.0),), "serving_volume"),  # 260 mL at the longest; 200 as planned
        ((windowed(1.0, 95.0, on_s=50.0),), "run_on"),  # cap 90 s
        ((windowed(1.0, 10.0), windowed(1.0, 6.0, line=1, start_s=8.0)), "plan"),  # the first may last into the second
        ((windowed(6.0, 7.0),), "plan"),  # planned end outside
        ((windowed(1.0, 4.0),), "plan"),
        ((windowed(0.0, 6.0),), "plan"),
        ((windowed(1.0, math.inf),), "plan"),
    ],
)
def test_a_cap_that_the_longest_end_would_exceed_refuses(rig, runs, rule):
    caps = replace(rig.machine.caps, serving_volume_ml=250.0, serving_time_s=300.0, duty_fraction=1.0)
    if rule == "serving_volume":
        caps = replace(caps, run_on_s=200.0, operation_on_s=200.0)
    rig = Rig(exact(replace(rig.machine, caps=caps))).primed(1)
    assert rule in {one.rule for one in begin(rig, *runs) if isinstance(one, Refusal)}


def test_longest_ends_count_for_current_and_concurrency_where_planned_ends_lie_apart(rig):
    first, second = windowed(1.0, 3.0, on_s=2.0), windowed(None, None, line=2, start_s=2.5, on_s=2.0)
    tight = replace(rig.machine, caps=replace(rig.machine.caps, concurrent=1))
    assert [one.rule for one in begin(Rig(tight).primed(1, 2), first, second) if isinstance(one, Refusal)] == [
        "concurrent"
    ]
    apart = replace(first, longest_s=2.4)
    assert any(isinstance(one, Admitted) for one in begin(Rig(tight).primed(1, 2), apart, second))


def test_the_longest_end_is_booked_and_the_rest_given_back_at_the_end():
    rig = Rig(exact(profile())).primed(4)
    begin(rig, replace(run_of(4, "sloe gin", 0.0, 5.0), longest_s=8.0))
    gin_g_s = 2 * 0.26 * 0.78924  # mL/s, % vol, and the density of ethanol: OIML R 22
    (booked,) = (
        one.record for one in records(rig.journal) if isinstance(one.record, AdmittedRecord) if one.record.ethanol_g
    )
    assert booked.ethanol_g == pytest.approx(8.0 * gin_g_s, rel=0.01)
    rig.run(6.0)
    ended = [one.record for one in records(rig.journal) if isinstance(one.record, EndedRecord)][-1]
    assert ended.ethanol_g == pytest.approx(5.0 * gin_g_s, rel=0.01)


def test_windows_are_for_servings_only(rig):
    rinse = replace(prime(1, "apple juice"), operation="another")
    (segment,) = rinse.segments
    with_window = replace(rinse, segments=(Segment(runs=(replace(segment.runs[0], longest_s=30.0),)),))
    assert {one.rule for one in rig.say(Start(operation=with_window)) if isinstance(one, Refusal)} == {"plan"}


def test_a_trim_for_what_has_been_stopped_is_dropped(rig):
    begin(rig, windowed(4.0, 6.0))
    rig.run(1.0)
    rig.say(Stop())
    assert rig.say(Trim(operation="fizz", line=1, end_s=6.0)) == []
    assert rig.board.on == set()


def held(**caps: float) -> Rig:
    """A run of 5 s whose glass was lifted after 3 s, and is back."""
    machine = exact(profile(glass=GLASS))
    rig = Rig(replace(machine, caps=replace(machine.caps, **caps)))
    rig.board.contacts["glass"] = True
    rig.primed(1)
    begin(rig, windowed(4.0, 6.0))
    rig.run(3.0)
    for is_there in (False, True):
        rig.board.contacts["glass"] = is_there
        rig.run(1.0)
    assert rig.board.on == set()
    return rig


@pytest.mark.parametrize(("asked_s", "on_for_s"), [(2.7, 2.7), (1.2, 1.2), (60.0, 3.0), (0.1, 1.0), (None, 2.0)])
def test_what_is_left_after_a_hold_has_windows_of_its_own(asked_s, on_for_s):
    rig = held()
    rig.say(Unhold(operation="fizz", runs=(windowed(1.0, 3.0, on_s=2.0),)))
    rig.run(0.5)
    begun = rig.of(Edge)[-1]
    assert begun.is_on
    if asked_s is not None:
        rig.say(Trim(operation="fizz", line=1, end_s=begun.at_s + asked_s))
    rig.run(5.0)
    assert rig.of(Edge)[-1].at_s - begun.at_s == pytest.approx(on_for_s, abs=1e-6)


@pytest.mark.parametrize(
    ("cap", "longest_s"),
    [
        ({"serving_volume_ml": 20.0}, 7.1),  # 2 mL/s: 6.1 mL before the hold, 14.2 mL after it
        ({"serving_time_s": 10.0}, 7.1),
    ],
)
def test_after_a_hold_the_longest_ends_count_together_with_what_was_done(cap, longest_s):
    rig, (rule,) = held(**cap), (name.removesuffix("_ml").removesuffix("_s") for name in cap)
    refused = rig.say(Unhold(operation="fizz", runs=(windowed(1.0, longest_s, on_s=2.0),)))
    assert [one.rule for one in refused if isinstance(one, Refusal)] == [rule]
    assert rig.board.on == set()
    rig.say(Unhold(operation="fizz", runs=(windowed(1.0, longest_s - 0.3, on_s=2.0),)))
    rig.run(0.5)
    assert rig.board.on == {1}
