"""Nothing is served into a glass that was never taken: lifts, restarts, faults, rests, and whose word counts."""

import pytest
from msgspec.structs import replace

from controller.model.messages import Acknowledge, Confirm, Ended, Refusal, Start, Stop, Unhold
from controller.model.plan import Operation, Segment
from controller.model.states import MachineState, OperationKind
from tests.guard.guard_parts import GLASS, JUICE_10_S, Rig, another_glass, exact, profile, run_of, serve, state

JUICE, GIN = "apple juice", "sloe gin"


def with_contact() -> Rig:
    rig = Rig(exact(profile(glass=GLASS)))
    rig.board.contacts["glass"] = True
    return rig.primed(1, 4)


def pour(rig: Rig, name: str, seconds: float = 5.0, *, line: int = 1, **changes: object) -> list[str]:
    """A whole serving; the rules by which it was refused."""
    liquid = JUICE if line == 1 else GIN
    operation = replace(serve(run_of(line, liquid, 0, seconds), name=name), **{"empty_glass": False, **changes})
    refused = [event.rule for event in rig.say(Start(operation=operation)) if isinstance(event, Refusal)]
    rig.run(seconds + 3)
    return refused


def absent(rig: Rig, seconds: float) -> None:
    rig.board.contacts["glass"] = False
    rig.run(seconds)
    rig.board.contacts["glass"] = True
    rig.run(1)


def is_fresh(rig: Rig) -> bool | None:
    return rig.report().inputs.fresh_glass


def test_a_second_serving_waits_for_another_glass():
    rig = with_contact()
    assert is_fresh(rig) is True, "nothing was ever poured"
    assert pour(rig, "s1") == []
    assert is_fresh(rig) is False
    assert pour(rig, "s2") == ["fresh_glass"]
    another_glass(rig)
    assert is_fresh(rig) is True
    assert pour(rig, "s3") == []


@pytest.mark.parametrize(("seconds", "is_lift"), [(0.1, False), (0.9, False), (1.1, True)])
def test_an_absence_under_a_second_is_no_lift(seconds, is_lift):
    rig = with_contact()
    pour(rig, "s1")
    absent(rig, seconds)
    assert is_fresh(rig) is is_lift
    assert pour(rig, "s2") == ([] if is_lift else ["fresh_glass"])


def test_short_absences_do_not_add_up():
    rig = with_contact()
    pour(rig, "s1")
    for _ in range(5):
        absent(rig, 0.6)
    assert pour(rig, "s2") == ["fresh_glass"]


@pytest.mark.parametrize("how", ["crash", "good order"])
def test_a_used_glass_is_remembered_over_restarts(how):
    rig = with_contact()
    pour(rig, "s1")
    for _ in range(2):
        if how == "good order":
            rig.guard.close()
        rig.start_guard()
        rig.ready()
        assert pour(rig, "s2") == ["fresh_glass"]
    another_glass(rig)
    assert pour(rig, "s3") == []


def test_a_glass_set_down_is_remembered_too():
    rig = with_contact()
    pour(rig, "s1")
    another_glass(rig)
    rig.guard.close()
    rig.start_guard()
    rig.ready()
    assert pour(rig, "s2") == []


def test_after_a_power_cut_a_glass_that_nobody_has_poured_into_is_asked_for_again():
    rig = with_contact()
    pour(rig, "s1")
    another_glass(rig)
    rig.start_guard()
    rig.ready()
    assert pour(rig, "s2") == ["fresh_glass"]


def test_a_crash_in_mid_pour_leaves_a_used_glass():
    rig = with_contact()
    rig.say(Start(operation=JUICE_10_S))
    rig.run(2)
    rig.start_guard()
    rig.ready()
    assert is_fresh(rig) is False


def test_a_journal_that_knows_of_servings_but_not_of_glasses_counts_the_glass_as_used():
    rig = with_contact()
    pour(rig, "s1")
    memory = replace(rig.guard.core.memory, glass=None)
    assert not memory.is_glass_fresh


def test_what_is_served_into_a_glass_that_is_lifted_meanwhile_uses_it_up():
    rig = with_contact()
    rig.say(Start(operation=JUICE_10_S))
    rig.run(3)
    absent(rig, 2.0)
    rig.say(Unhold(operation="s1", runs=(run_of(1, JUICE, 0, 5),)))
    rig.run(8)
    assert pour(rig, "s2") == ["fresh_glass"]


def test_an_operation_that_moved_nothing_leaves_the_glass_empty():
    rig = with_contact()
    segment = Segment(runs=JUICE_10_S.segments[0].runs, hand="add ice")
    rig.say(Start(operation=replace(JUICE_10_S, segments=(segment,))))
    rig.run(1)
    rig.say(Stop())
    rig.run(3)
    assert rig.of(Ended)[-1].deliveries[0].on_s == 0
    assert pour(rig, "s2") == []


@pytest.mark.parametrize(("kind", "jug", "rules"), [("jog", False, ["fresh_glass"]), ("prime", True, [])])
def test_what_runs_into_the_glass_by_another_name_uses_it_up_and_what_runs_into_a_jug_does_not(kind, jug, rules):
    rig = with_contact()
    pour(rig, "s1")
    another_glass(rig)
    runs = (run_of(1, JUICE, 0, 0.5),)
    rig.say(
        Start(operation=Operation(operation="x", kind=OperationKind(kind), segments=(Segment(runs=runs),), jug=jug))
    )
    rig.run(3)
    assert rig.of(Ended)[-1].deliveries[0].on_s > 0
    assert pour(rig, "s2") == rules


def test_after_a_fault_another_glass_is_wanted():
    """A channel may have poured until somebody had seen to it."""
    rig = with_contact()
    pour(rig, "s1")
    another_glass(rig)
    rig.board.contacts["stop"] = False
    rig.run(1)
    rig.board.contacts["stop"] = True
    rig.run(1)
    rig.say(Acknowledge(cause="stop pressed"))
    rig.run(3)
    assert state(rig) is MachineState.IDLE
    assert pour(rig, "s2") == ["fresh_glass"]


def test_without_a_contact_somebody_must_have_looked():
    rig = Rig(exact(profile())).primed(1)
    assert is_fresh(rig) is None
    assert pour(rig, "s1") == ["fresh_glass"]
    assert pour(rig, "s2", empty_glass=True) == []


def test_a_word_does_not_stand_for_a_contact():
    rig = with_contact()
    pour(rig, "s1")
    assert pour(rig, "s2", empty_glass=True) == ["fresh_glass"]


def stopped_half_way(rig: Rig) -> None:
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 10), name="s1")))
    rig.run(5)
    rig.say(Stop())
    rig.run(3)


def test_the_rest_goes_into_the_same_glass():
    rig = with_contact()
    stopped_half_way(rig)
    assert pour(rig, "s2") == ["fresh_glass"]
    assert pour(rig, "r1", rest_of="s1") == []
    assert pour(rig, "r2", rest_of="s1") == ["rest", "fresh_glass"]


def test_the_rest_counts_with_what_is_in_the_glass():
    # The tumbler holds 250 mL as served: 10 s of 2 mL/s are in it, and 116 s more would be 252 mL.
    rig = with_contact()
    stopped_half_way(rig)
    found = rig.say(Start(operation=replace(serve(run_of(1, JUICE, 0, 121), name="r1"), rest_of="s1")))
    assert "glass" in [one.rule for one in found if isinstance(one, Refusal)]
    # 10.3 g of ethanol (25 s of 2 mL/s at 26 %) and as much again are more than 20 g, though each is less.
    another_glass(rig)
    assert pour(rig, "g1", 25, line=4) == []
    assert pour(rig, "g2", 25, line=4, rest_of="g1") == ["serving_ethanol"]
    another_glass(rig)
    assert pour(rig, "g3", 25, line=4) == []


def test_after_something_else_has_run_the_rest_wants_a_glass_set_down():
    rig = with_contact()
    stopped_half_way(rig)
    prime = Operation(
        operation="p", kind=OperationKind.PRIME, segments=(Segment(runs=(run_of(1, JUICE, 0, 2),)),), jug=True
    )
    rig.say(Start(operation=prime))
    rig.run(4)
    assert pour(rig, "r1", rest_of="s1") == ["fresh_glass"]
    another_glass(rig)
    assert pour(rig, "r1b", rest_of="s1") == []


def test_a_glass_that_is_set_down_costs_no_write_of_its_own(monkeypatch):
    rig = with_contact()
    pour(rig, "s1")
    appended = []
    append = rig.journal.append

    def noted(body: bytes) -> None:
        appended.append(body)
        append(body)

    monkeypatch.setattr(rig.journal, "append", noted)
    for _ in range(3):
        another_glass(rig)
    assert appended == []
    pour(rig, "s2")
    assert len(appended) == 2, "what begins, with the glass before it, and the end"


def test_hand_steps_count_over_every_rest():
    # 100 mL of ice, 10 mL, 2 mL and 140 mL are 252 mL; the tumbler holds 250 mL as served.
    rig = with_contact()
    segment = Segment(runs=(run_of(1, JUICE, 0, 10),), hand="add ice", takes_ml=100)
    rig.say(Start(operation=replace(JUICE_10_S, segments=(segment,))))
    rig.run(1)
    rig.say(Confirm(operation="s1"))
    rig.run(5)
    rig.say(Stop())
    rig.run(3)
    assert pour(rig, "r1", 1, rest_of="s1") == []
    assert pour(rig, "r2", 70, rest_of="r1") == ["glass"]
    assert pour(rig, "r3", 69, rest_of="r1") == []


def test_a_rest_counts_with_the_first_part_although_the_glass_was_lifted():
    # 25 s of gin are 10.3 g of ethanol, 10 s 4.1 g, 20 s 8.2 g; the cap is 20 g.
    rig = with_contact()
    assert pour(rig, "g1", 25, line=4) == []
    another_glass(rig)
    assert pour(rig, "g2", 25, line=4, rest_of="g1") == ["serving_ethanol"]
    assert pour(rig, "h1", 10, line=4) == []
    another_glass(rig)
    assert pour(rig, "h2", 20, line=4, rest_of="h1") == []
    assert pour(rig, "h3", 20, line=4, rest_of="h2") == ["serving_ethanol"]


def test_a_glass_that_is_set_down_while_something_runs_into_a_jug_counts_for_nothing():
    rig = with_contact()
    pour(rig, "s1")
    rig.board.contacts["glass"] = False
    rig.run(2)
    runs = (run_of(1, JUICE, 0, 4),)
    rig.say(
        Start(operation=Operation(operation="p", kind=OperationKind.PRIME, segments=(Segment(runs=runs),), jug=True))
    )
    rig.run(2)
    assert rig.board.on == {1}
    rig.board.contacts["glass"] = True
    rig.run(5)
    assert pour(rig, "s2") == ["fresh_glass"]
