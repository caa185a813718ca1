"""One operation's runs, step by step, and what is left of it after a hold. All instants by hand."""

import math

import pytest
from msgspec.structs import replace

from controller.model.messages import Unhold
from controller.model.plan import Operation, Segment
from controller.model.states import Contents
from controller.safety import requests
from controller.safety.case import timeline
from controller.safety.progress import Progress
from controller.safety.records import AdmittedRecord, Memory, Moment, Serving
from tests.guard.guard_parts import BOOK, run_of, serve
from tests.safety.core_parts import filled, situation

JUICE, SYRUP, GIN = "apple juice", "ginger syrup", "sloe gin"
MOST_LATE_S = 0.25


def begun(operation: Operation, now_s: float = 10.0) -> Progress:
    progress = Progress(operation)
    progress.begin(now_s, operation.segments[0].runs)
    return progress


def switched(progress: Progress, now_s: float) -> list[tuple[int, bool, float]]:
    return [(edge.line, edge.is_on, edge.due_s) for edge in progress.step(now_s, MOST_LATE_S)]


def test_time_spent_is_that_of_the_pumps_and_not_of_the_waits():
    progress = begun(serve(run_of(1, JUICE, 0, 10), run_of(2, SYRUP, 1, 1)))
    assert progress.spent_s == 0.0
    for now_s in (10.0, 11.0, 12.0):
        progress.step(now_s, MOST_LATE_S)
    assert progress.spent_s == 2.0  # the syrup's end; the juice runs
    progress.off(13.0)
    assert progress.spent_s == 3.0
    progress.begin(100.0, [run_of(1, JUICE, 0, 7)])
    assert progress.spent_s == 3.0
    progress.step(100.0, MOST_LATE_S)
    progress.step(107.0, MOST_LATE_S)
    assert progress.spent_s == 10.0


def test_when_all_is_off_nothing_is_to_come():
    progress = begun(serve(run_of(1, JUICE, 0, 10), run_of(2, SYRUP, 5, 5)))
    progress.step(10.0, MOST_LATE_S)
    assert (progress.waiting, progress.next_s) == ({1, 2}, 15.0)
    progress.off(12.0)
    assert (progress.waiting, progress.next_s, progress.is_through) == (frozenset(), math.inf, True)


def test_a_late_start_tells_when_it_was_due_and_moves_the_rest():
    progress = begun(serve(run_of(1, JUICE, 0, 2), run_of(2, SYRUP, 1, 2)))
    assert switched(progress, 10.25) == [(1, True, 10.0)]  # just as late as it may be
    assert switched(progress, 11.25) == [(2, True, 11.25)]
    assert switched(progress, 12.25) == [(1, False, 12.25)]
    assert progress.late_s == 0.25


def test_a_run_past_its_time_does_not_begin_and_one_due_to_end_ends():
    progress = begun(serve(run_of(1, JUICE, 0, 2), run_of(2, SYRUP, 1.5, 2)))
    progress.step(10.0, MOST_LATE_S)
    assert switched(progress, 12.0) == [(1, False, 12.0)]
    assert progress.on == frozenset()
    assert progress.late_s == 0.5


def test_what_is_left_is_the_rest_of_this_segment_and_all_later_ones():
    segments = tuple(Segment(runs=(run_of(line, liquid, 0, 5),)) for line, liquid in ((1, JUICE), (2, SYRUP), (4, GIN)))
    progress = begun(replace(serve(), segments=segments))
    rest = Unhold(operation="s1", runs=(run_of(1, JUICE, 0, 3),))
    left = timeline(requests.remaining(rest, progress))
    assert [(run.line, run.start_s, run.end_s) for run in left] == [(1, 0.0, 3.0), (2, 3.0, 8.0), (4, 8.0, 13.0)]


def test_a_held_serving_does_not_count_twice_in_the_hour():
    progress = begun(serve(run_of(4, GIN, 0, 20)))
    progress.step(10.0, MOST_LATE_S)
    progress.off(20.0)
    *earlier, own = (Serving(at_s=at_s, ethanol_g=8.2) for at_s in (48_000.0, 49_000.0, 50_000.0))
    rest = Unhold(operation="s1", runs=(run_of(4, GIN, 0, 10),))
    admitted = AdmittedRecord(operation=progress.operation, ethanol_g=8.2)
    case = requests.case_of_rest(rest, progress, situation(servings=(*earlier, own), unfinished=admitted))
    assert case.history.servings == tuple(earlier)
    # 10 s of before and 10 s to come, 2 mL/s of 26 %
    assert case.ethanol_g == pytest.approx(40 * 0.26 * 0.78924)


def test_a_malformed_rest_is_refused_for_that_alone():
    progress = begun(serve(run_of(1, JUICE, 0, 10)))
    broken = Unhold(operation="s1", runs=(run_of(9, SYRUP, 0, 5),))  # no such line, and no part of what is held
    (refusal,) = requests.unhold(broken, progress, situation())
    assert refusal.rule == "plan"
    assert "no part of" not in refusal.reason


def test_the_book_keeps_what_a_line_holds_and_what_hangs_on_it():
    tea_inside = situation(lines=filled(assigned=JUICE, holds="cold tea"))
    for gone, lines in (("cold tea", {1, 3}), (JUICE, {1})):
        new = replace(BOOK, liquids=tuple(one for one in BOOK.liquids if one.liquid != gone))
        found = requests.take_book(new, new.mark, tea_inside)
        assert {one.reason.partition("on line ")[2][0] for one in found} == {str(line) for line in lines}
    empty = situation(lines=filled(contents=Contents.EMPTY, holds="last year's perry"))
    assert requests.take_book(BOOK, BOOK.mark, empty) == []


def test_an_earlier_moment_is_earlier_on_both_clocks():
    assert Moment(credited_s=100.0, wall_s=1000.0).earlier(60.0) == Moment(credited_s=40.0, wall_s=940.0)


def test_a_line_that_nothing_is_remembered_of_is_an_error():
    with pytest.raises(KeyError):
        Memory().line(1)


def test_nothing_is_remembered_at_first():
    fresh = Memory()
    assert (fresh.mono_s, fresh.wall_s, fresh.credited_s, fresh.funnel_chemical) == (0.0, 0.0, 0.0, False)
