"""What an operation leaves behind, worked out by hand: edges, deliveries, worst cases, ethanol, residues."""

import dataclasses
from typing import Any

import pytest
from msgspec.structs import replace

from controller.model.plan import Operation, Segment
from controller.model.states import Contents, OperationKind, Outcome
from controller.safety import outcome
from controller.safety.progress import Progress
from controller.safety.records import AdmittedRecord, EndedRecord, Memory
from tests.guard.guard_parts import run_of, serve
from tests.safety.core_parts import NOW_S, filled, situation

JUICE, SYRUP, TEA, GIN = "apple juice", "ginger syrup", "cold tea", "sloe gin"
STOPPED = outcome.Ending(Outcome.STOPPED, "stopped by a person", "person")
POUR = serve(run_of(1, JUICE, 0, 10), run_of(2, SYRUP, 2, 3), run_of(3, TEA, 30, 5))


def at(now_s: float, **memory: Any):
    """The machine with every line filled, so long after its memory was written."""
    return dataclasses.replace(situation(**memory), now_s=now_s)


def stepped(operation: Operation, *instants_s: float) -> Progress:
    progress = Progress(operation)
    progress.begin(10.0, operation.segments[0].runs)
    for now_s in instants_s:
        progress.step(now_s, most_late_s=1.0)
    return progress


def interrupted(operation: Operation, **memory: Any) -> EndedRecord:
    now = at(30.0, unfinished=AdmittedRecord(operation=operation, ethanol_g=0.0), **memory)
    record = outcome.interrupted(now.memory, now)
    assert record is not None
    return record


def test_edges_count_from_the_first_start_and_lie_on_the_credited_clock():
    progress = stepped(POUR, 10.0, 12.0, 15.0, 20.0)
    progress.off(31.0)  # the third line never began
    record = outcome.ended(progress, STOPPED, at(31.0))
    assert record.edges == ((1, True, 0.0), (2, True, 2.0), (2, False, 5.0), (1, False, 10.0))
    assert record.began_s == NOW_S + 10.0
    assert [(one.line, one.asked_ml, one.delivered_ml, one.worst_ml, one.on_s) for one in record.ended.deliveries] == [
        (1, 20.0, 20.0, 20.0, 10.0),
        (2, 6.0, 6.0, 6.0, 3.0),
        (3, 10.0, 0.0, 0.0, 0.0),
    ]


def test_microseconds_and_microlitres_are_enough():
    progress = stepped(serve(run_of(1, JUICE, 0, 1 / 3)), 10.0, 10.0 + 1 / 3)
    record = outcome.ended(progress, outcome.Ending(Outcome.DONE), at(11.0))
    (one,) = record.ended.deliveries
    assert record.edges[1][2] == 0.333333
    assert (one.on_s, one.delivered_ml, one.worst_ml) == (0.333333, 0.666667, 0.666667)


def test_an_operation_that_never_began_counts_from_now():
    record = outcome.ended(Progress(POUR), STOPPED, at(31.0))
    assert (record.began_s, record.edges, record.lines) == (NOW_S + 31.0, (), ())


def test_after_a_crash_every_line_ran_to_its_end_and_a_second_longer():
    record = interrupted(serve(run_of(1, JUICE, 0, 10), run_of(2, SYRUP, 2, 3)))
    assert record.edges == ((1, True, 0.0), (1, False, 11.0), (2, True, 0.0), (2, False, 4.0))
    assert record.began_s == NOW_S + 30.0 - 11.0
    assert [(one.delivered_ml, one.worst_ml) for one in record.ended.deliveries] == [(22.0, 22.0), (8.0, 8.0)]


def test_a_line_that_has_left_the_profile_delivered_nothing_that_could_be_reckoned():
    record = interrupted(serve(run_of(1, JUICE, 0, 10), run_of(9, SYRUP, 0, 3)))
    assert [(one.line, one.worst_ml, one.on_s) for one in record.ended.deliveries] == [(1, 22.0, 11.0), (9, 0.0, 0.0)]
    assert [state.line for state in record.lines] == [1]


def test_a_liquid_that_left_the_book_counts_as_pure_ethanol():
    perry = filled(assigned="last year's perry", holds="last year's perry")
    record = interrupted(serve(run_of(1, "last year's perry", 0, 9)), lines=perry)
    assert record.ethanol_g == pytest.approx(20.0 * 0.78924)  # g/mL at 20 C, as in the caps
    known = interrupted(serve(run_of(4, GIN, 0, 9)))
    assert known.ethanol_g == pytest.approx(20.0 * 0.26 * 0.78924)


def test_a_crash_leaves_the_allergens_of_the_liquid_that_was_drawn():
    record = interrupted(serve(run_of(1, JUICE, 0, 5), run_of(3, TEA, 0, 5)), lines=filled(traces=("nuts",)))
    juice, tea = record.lines
    assert (juice.contents, juice.holds, juice.traces) == (Contents.LIQUID, JUICE, ("nuts",))
    assert (tea.contents, tea.holds, tea.traces) == (Contents.LIQUID, TEA, ("milk",))


def test_one_line_that_still_holds_cleaner_is_enough_for_the_funnel():
    lines = tuple(
        replace(state, contents=Contents.CLEANER, holds=None, chemical=True, soaked_s=0.0) for state in filled()
    )
    segment = Segment(runs=(run_of(1, "rinse water", 0, 40), run_of(2, "rinse water", 0, 5)))
    rinse = Operation(operation="r1", kind=OperationKind.RINSE, segments=(segment,), jug=True)
    progress = stepped(rinse, 10.0, 15.0, 50.0)
    record = outcome.ended(progress, outcome.Ending(Outcome.DONE), at(50.0, lines=lines))
    assert {state.line: state.contents for state in record.lines} == {1: Contents.RINSE_WATER, 2: Contents.CLEANER}
    assert record.funnel_chemical is True
    both = stepped(replace(rinse, segments=(Segment(runs=segment.runs[:1]),)), 10.0, 50.0)
    assert outcome.ended(both, outcome.Ending(Outcome.DONE), at(50.0, lines=lines)).funnel_chemical is False


def test_without_an_unfinished_operation_nothing_was_interrupted():
    assert outcome.interrupted(Memory(), at(0.0)) is None
