"""Hand steps: the guard waits for a person between two pours, and for nobody after the last."""

import pytest
from msgspec.structs import replace

from controller.model.messages import (
    Changed,
    Confirm,
    Ended,
    Refusal,
    Start,
    Unhold,
)
from controller.model.plan import Operation, Segment
from controller.model.states import OperationKind, Outcome
from tests.guard.guard_parts import (
    JUICE_10_S,
    TRAY,
    Rig,
    admitted,
    profile,
    run_of,
)
from tests.guard.test_guard_flows import JUICE, SYRUP, glass_rig, lift


def test_a_hand_step_is_not_followed_by_a_pour_onto_a_full_tray():
    rig = Rig(profile(drip_tray=TRAY))
    rig.board.contacts["drip tray"] = False
    rig.primed(1)
    rig.say(Start(operation=replace(JUICE_10_S, segments=(replace(JUICE_10_S.segments[0], hand="add ice"),))))
    rig.board.contacts["drip tray"] = True
    rig.run(1)
    assert rig.refused(Confirm(operation="s1")).rule == "drip_tray"
    rig.board.contacts["drip tray"] = False
    rig.run(1)
    rig.say(Confirm(operation="s1"))
    assert rig.board.on == {1}


def test_hand_steps_wait_for_a_person():
    rig = glass_rig()
    operation = Operation(
        operation="s1",
        kind=OperationKind.SERVE,
        glass="tumbler",
        segments=(
            Segment(runs=(run_of(1, JUICE, 0, 5),), hand="add ice", takes_ml=40),
            Segment(runs=(run_of(2, SYRUP, 0, 2),), hand="stir"),
        ),
    )
    events = rig.say(Start(operation=operation))
    assert admitted(events) == ["s1"]
    assert rig.of(Changed)[-1].waiting_for == "add ice"
    lift(rig, 5)  # the glass may be taken away to add ice
    assert rig.refused(Confirm(operation="s1")).rule == "glass"
    rig.board.contacts["glass"] = True
    rig.run(1)
    assert rig.board.on == set()
    assert rig.refused(Unhold(operation="s1", runs=())).rule == "operation"
    assert rig.refused(Confirm(operation="other")).rule == "operation"
    rig.say(Confirm(operation="s1"))
    assert rig.board.on == {1}
    assert rig.refused(Confirm(operation="s1")).rule == "state"
    rig.run(6)
    assert (rig.board.on, rig.of(Changed)[-1].waiting_for) == (set(), "stir")
    rig.say(Confirm(operation="s1"))
    rig.run(3)
    ended = rig.of(Ended)[-1]
    assert (ended.outcome, [one.on_s for one in ended.deliveries]) == (
        Outcome.DONE,
        [pytest.approx(5), pytest.approx(2)],
    )


def by_hand(*segments: Segment) -> Operation:
    return Operation(operation="s1", kind=OperationKind.SERVE, glass="tumbler", segments=segments)


def test_hand_steps_at_the_end_hold_nothing_and_count_in_the_brim_only():
    pour = Segment(runs=(run_of(1, JUICE, 0, 5),))
    lime, straw = Segment(runs=(), hand="add a slice of lime", takes_ml=20), Segment(runs=(), hand="add a straw")
    rig = glass_rig()
    rig.say(Start(operation=by_hand(pour, lime, straw)))
    rig.run(6)
    assert rig.of(Ended)[-1].outcome is Outcome.DONE
    assert not any(one.waiting_for for one in rig.of(Changed))
    rig = glass_rig()
    assert "glass" in {
        one.rule
        for one in rig.say(Start(operation=by_hand(pour, replace(lime, takes_ml=260))))
        if isinstance(one, Refusal)
    }


def test_a_hand_step_in_between_has_a_time_of_its_own():
    rig = glass_rig(held_s=10)
    muddle = Segment(runs=(run_of(2, SYRUP, 0, 2),), hand="muddle", within_s=25)
    rig.say(Start(operation=by_hand(Segment(runs=(run_of(1, JUICE, 0, 5),)), muddle)))
    before = rig.of(Ended)
    rig.run(5 + 20)
    assert rig.of(Ended) == before
    assert rig.of(Changed)[-1].waiting_for == "muddle"
    rig.run(6)
    assert rig.of(Ended)[-1].reason == "held for 25 s, waiting for muddle"
    assert rig.of(Ended)[-1].outcome is Outcome.ABORTED


@pytest.mark.parametrize("within_s", [601.0, 0.0, -1.0, float("nan"), float("inf")])
def test_a_hand_step_may_not_take_longer_than_its_cap(within_s):
    rig = glass_rig()
    step = Segment(runs=(run_of(1, JUICE, 0, 5),), hand="muddle", within_s=within_s)
    assert {one.rule for one in rig.say(Start(operation=by_hand(step))) if isinstance(one, Refusal)} == {"hand_step"}


def test_a_lifted_glass_is_waited_for_as_long_as_any_hold_after_a_hand_step_was_confirmed():
    rig = glass_rig(held_s=10)
    rig.say(Start(operation=by_hand(Segment(runs=(run_of(1, JUICE, 0, 5),), hand="muddle", within_s=300))))
    rig.say(Confirm(operation="s1"))
    rig.run(2)
    lift(rig)
    rig.run(11)
    assert "waiting for glass" in rig.of(Ended)[-1].reason
