"""What the machine tells of itself and of its clocks, and what a fault leaves of the operation that it ends."""

from itertools import pairwise

import pytest
from msgspec.structs import replace

from controller.model.messages import Changed, Edge, Ended, FaultLatchedEvent, LineReport, Start
from controller.model.plan import Operation, Segment
from controller.model.states import OperationKind, Outcome
from controller.safety.records import ClockRecord
from tests.guard.guard_parts import Rig, pouring, prime, records, run_of, serve

JUICE, SYRUP = "apple juice", "ginger syrup"


def line_1(rig: Rig) -> LineReport:
    return rig.report().lines[0]


def steps(rig: Rig) -> list[float]:
    rig.run(3.0)  # such records are written a little later
    stamped = records(rig.journal)
    return [one.record.stepped_s for one in stamped if isinstance(one.record, ClockRecord)]


@pytest.mark.parametrize(("by_s", "noted"), [(0.9, []), (1.1, [1.1]), (-1.1, [-1.1]), (3600.0, [3600.0])])
def test_a_wall_clock_that_is_set_is_written_down_once(by_s, noted):
    rig = Rig().ready()
    rig.clock.set_wall(rig.clock.wall_s() + by_s)
    assert steps(rig) == pytest.approx(noted)


def test_ages_are_told_by_the_wall_clock_as_it_is_now():
    rig = Rig().primed(1)
    filled_s = line_1(rig).filled_wall_s
    rig.clock.set_wall(rig.clock.wall_s() - 600.0)
    rig.run(1.0)
    assert filled_s is not None
    assert line_1(rig).filled_wall_s == pytest.approx(filled_s - 600.0)


def test_the_time_at_which_cleaner_filled_the_tube_is_reported():
    rig = Rig().primed(1)
    for kind, liquid in ((OperationKind.PURGE, "air"), (OperationKind.CLEAN, "cleaner")):
        runs = (run_of(1, liquid, 0, 20),)
        rig.say(Start(operation=replace(prime(1, JUICE, name=liquid), kind=kind, segments=(Segment(runs=runs),))))
        rig.run(25)
    ended_s = rig.clock.wall_s() - 5.0
    rig.run(100)
    assert line_1(rig).soaked_wall_s == pytest.approx(ended_s, abs=0.2)


def test_a_line_is_on_only_while_it_is():
    rig = Rig().primed(1, 2)
    assert [one.is_on for one in rig.report().lines] == [False] * 4
    pouring(rig)
    assert [one.is_on for one in rig.report().lines] == [True, False, False, False]


def test_a_run_cut_short_by_a_fault_is_counted_and_its_end_reported():
    rig = Rig().primed(1)
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 10))))
    rig.run(3.0)
    rig.board.contacts["stop"] = False
    rig.run(1.0)
    assert [edge.is_on for edge in rig.of(Edge) if edge.operation == "s1"] == [True, False]
    ended = rig.of(Ended)[-1]
    assert ended.outcome is Outcome.FAULTED
    assert 2 * 3.0 <= ended.deliveries[0].delivered_ml <= 2 * 3.1


def test_a_state_that_stays_is_not_announced_again():
    rig = Rig().ready()
    rig.board.contacts["stop"] = False
    rig.run(1.0)
    rig.board.unreadable = True  # another fault while one is latched
    rig.run(1.0)
    assert len(rig.of(FaultLatchedEvent)) == 1
    states = [event.state for event in rig.of(Changed)]
    assert all(one is not following for one, following in pairwise(states)), states


def test_edges_are_timed_from_the_first_start():
    rig = Rig().primed(1, 2)
    segments = (Segment(runs=(run_of(1, JUICE, 0, 2),)), Segment(runs=(run_of(2, SYRUP, 0.5, 1),)))
    rig.say(
        Start(
            operation=Operation(
                operation="s1", kind=OperationKind.SERVE, segments=segments, glass="tumbler", empty_glass=True
            )
        )
    )
    rig.run(8.0)
    told = [(edge.line, edge.is_on, round(edge.at_s, 3)) for edge in rig.of(Edge) if edge.operation == "s1"]
    assert told == [(1, True, 0.0), (1, False, 2.0), (2, True, 2.5), (2, False, 3.5)]
