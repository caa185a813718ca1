"""Lines that may take over from one that runs dry: only those that were admitted, within every cap."""

import pytest
from msgspec.structs import replace

from controller.model.labels import Label
from controller.model.messages import Changed, Confirm, Ended, RanDry, Refusal, Unhold
from controller.model.plan import Operation, PlannedRun, Segment
from controller.model.states import Contents, MachineState, OperationKind, Outcome
from tests.guard.guard_parts import BOOK, Rig, pouring, run_of, serve, state, with_caps
from tests.safety.core_parts import filled, refusals, situation

JUICE, SYRUP = "apple juice", "ginger syrup"
TWINNED = replace(BOOK, lines=tuple(replace(one, liquid=JUICE) if one.line == 2 else one for one in BOOK.lines))


def served(*runs, standby=(2,), hand: str | None = None) -> Operation:
    """A serving with these runs, and the last of them after a hand step where one is named."""
    plain = serve(*runs)
    if hand is not None:
        plain = replace(plain, segments=(Segment(runs=runs[:-1]), Segment(runs=runs[-1:], hand=hand)))
    return replace(plain, standby=standby)


def dried_up(operation: Operation, **caps: float) -> Rig:
    """Line 1 has run dry after 3 s of this serving; line 2 holds the same liquid."""
    rig = Rig(with_caps(**caps), book=TWINNED).primed(1, 2, 3)
    pouring(rig, 3.0, operation)
    rig.say(RanDry(line=1))
    rig.run(0.5)
    assert rig.board.on == set()
    assert state(rig) is MachineState.HELD
    return rig


def rules(rig: Rig, run: PlannedRun) -> list[str]:
    """By which the rest is refused when this run is to pour it."""
    found = rig.say(Unhold(operation="s1", runs=(run,)))
    return [one.rule for one in found if isinstance(one, Refusal)]


def test_an_idle_line_that_was_admitted_pours_the_rest_and_is_on_record():
    rig = dried_up(served(run_of(1, JUICE, 0, 10)))
    rig.say(Unhold(operation="s1", runs=(run_of(2, JUICE, 0, 7),)))
    assert rig.board.on == {2}
    rig.run(8)
    ended = rig.of(Ended)[-1]
    assert ended.outcome is Outcome.DONE
    assert [(one.line, one.liquid) for one in ended.deliveries] == [(1, JUICE), (2, JUICE)]
    assert ended.deliveries[1].on_s == pytest.approx(7.0, abs=0.01)


@pytest.mark.parametrize(("standby", "run"), [
    ((), run_of(2, JUICE, 0, 7)),  # nobody admitted it
    ((2,), run_of(2, SYRUP, 0, 7)),  # not what hangs there
    ((2,), run_of(3, "cold tea", 0, 7)),  # not what this part of the serving pours
])  # fmt: skip
def test_what_was_not_admitted_is_refused_and_nothing_moves(standby, run):
    rig = dried_up(served(run_of(1, JUICE, 0, 10), standby=standby))
    assert rules(rig, run) == ["plan"]
    rig.run(1)
    assert rig.board.on == set()


def test_the_caps_hold_for_what_was_poured_and_what_takes_over_together():
    rig = dried_up(served(run_of(1, JUICE, 0, 10)), serving_volume_ml=40)
    assert rules(rig, run_of(2, JUICE, 0, 15)) == ["serving_volume"]
    rig.say(Unhold(operation="s1", runs=(run_of(2, JUICE, 0, 12),)))
    assert rig.board.on == {2}


def test_a_line_that_ran_dry_is_not_switched_on_by_a_later_part_of_the_serving():
    operation = served(run_of(1, JUICE, 0, 10), run_of(1, JUICE, 0, 4), hand="stir")
    rig = dried_up(operation)
    rig.say(Unhold(operation="s1", runs=(run_of(2, JUICE, 0, 7),)))
    rig.run(8)

    rig.say(Confirm(operation="s1"))
    rig.run(1)
    assert [line for _, line, is_on in rig.board.trace if is_on][-1] == 2
    assert rig.of(Changed)[-1].waiting_for == "container on line 1"
    rig.say(Unhold(operation="s1", runs=(run_of(2, JUICE, 0, 4),)))
    rig.run(5)
    assert rig.of(Ended)[-1].outcome is Outcome.DONE


def test_what_took_over_is_booked_when_the_guard_dies_meanwhile():
    rig = dried_up(served(run_of(1, JUICE, 0, 10)))
    rig.say(Unhold(operation="s1", runs=(run_of(2, JUICE, 0, 7),)))
    rig.run(2)
    rig.start_guard()
    rig.ready()
    worst = {one.line: one.worst_ml for one in rig.of(Ended)[-1].deliveries}
    assert worst[2] > 7 * 2.0


def test_only_the_same_liquid_by_every_book_may_stand_by():
    same = replace(filled()[1], assigned=JUICE, holds=JUICE, residues=(JUICE,), contents=Contents.LIQUID)

    def rules(line):
        lines = (filled()[0], line, *filled()[2:])
        return refusals(served(run_of(1, JUICE, 0, 1)), situation(lines=lines)).keys()

    assert rules(same) == set()
    assert rules(replace(same, container=Label(liquid=JUICE, abv_percent=5.0))) == {"standby"}
    assert rules(replace(same, tube=Label(liquid=JUICE, allergens=("celery",)))) == {"standby"}
    assert rules(replace(same, container=Label(liquid=JUICE, care="perishable"))) == {"standby"}
    assert rules(filled()[1]) == {"standby"}
    assert rules(replace(same, contents=Contents.EMPTY, holds=None)) == {"contents"}


def test_lines_stand_by_for_servings_only_and_only_lines_that_there_are():
    run = run_of(1, JUICE, 0, 1)
    assert refusals(served(run, standby=(9,))).keys() == {"plan"}
    trial = Operation(operation="t1", kind=OperationKind.TRIAL, segments=(Segment(runs=(run,)),), standby=(2,))
    assert refusals(trial).keys() == {"plan"}
