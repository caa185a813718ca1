"""What is not poured into a jug that a person has confirmed counts as a drink, whatever the operation is called."""

import math

import pytest
from msgspec.structs import replace

from controller.model.messages import ConfirmJug, Ended, Event, Refusal, Start, Stop
from controller.model.plan import Operation, Segment
from controller.model.states import OperationKind
from controller.safety.vessel import Poured
from tests.guard.guard_parts import GLASS, Rig, profile, run_of, with_caps

K = OperationKind
JUICE, GIN = "apple juice", "sloe gin"
GRAMS_ML = 0.26 * 0.78924  # of sloe gin, 26 % vol; ethanol at 20 C: OIML R 22


@pytest.fixture
def rig() -> Rig:
    """Juice on line 1 and gin on line 4, filled; pumps as bought, so each second counts as 2.5 mL."""
    return Rig().primed(1, 4)


def ask(rig: Rig, kind: OperationKind, number: int, seconds: float, *, jug: bool = False) -> list[Event]:
    """Ask for one run, as the guard hears it: nothing is confirmed on the way."""
    liquid = {1: JUICE, 4: GIN}[number]
    operation = Operation(
        operation=f"op{len(rig.events)}",
        kind=kind,
        segments=(Segment(runs=(run_of(number, liquid, 0, seconds),)),),
        glass="tumbler",
        jug=jug,
        empty_glass=True,
    )
    before = len(rig.events)
    rig.guard.handle("engine", Start(operation=operation))
    return [event for _, event in rig.events[before:]]


def refused(rig: Rig, kind: OperationKind, number: int, seconds: float, *, jug: bool = False) -> list[str]:
    """The rules that refuse it; without any it is run to its end."""
    rules = [one.rule for one in ask(rig, kind, number, seconds, jug=jug) if isinstance(one, Refusal)]
    rig.run(seconds + 3)
    return rules


def hour_g(rig: Rig) -> float:
    return sum(one.ethanol_g for one in rig.guard.core.memory.servings)


def test_trials_into_a_glass_count_as_one_drink(rig):
    # 25 s are 62.5 mL of gin by the upper bound: 12.8 g of ethanol. Twice that is over the cap of 20 g.
    assert refused(rig, K.TRIAL, 4, 25) == []
    assert hour_g(rig) == pytest.approx(62.5 * GRAMS_ML)
    assert refused(rig, K.TRIAL, 4, 25) == ["serving_ethanol"]
    assert refused(rig, K.SERVE, 4, 25) == ["serving_ethanol"]  # nobody has taken the glass away
    assert refused(rig, K.SERVE, 4, 13) == []
    assert hour_g(rig) == pytest.approx(95.0 * GRAMS_ML)


def test_jogs_fill_the_smallest_glass_and_no_more(rig):
    # One second is 2.5 mL; the tumbler takes 300 mL to the brim.
    core = rig.guard.core
    for _ in range(3):
        assert refused(rig, K.JOG, 1, 1) == []
    assert core.memory.vessel.in_glass == Poured(volume_ml=7.5)
    core._machine.memory = replace(core.memory, vessel=replace(core.memory.vessel, in_glass=Poured(volume_ml=297.6)))
    assert refused(rig, K.JOG, 1, 1) == ["glass"]


def test_what_is_poured_after_a_drink_counts_with_it(rig):
    assert refused(rig, K.SERVE, 4, 35) == []  # 18.0 g
    assert refused(rig, K.JOG, 4, 1) == []  # 18.5 g
    assert refused(rig, K.TRIAL, 4, 5) == ["serving_ethanol"]
    assert refused(rig, K.SERVE, 1, 5) == []  # a guest's own glass; only the jog may have gone into it
    assert rig.guard.core.memory.vessel.in_glass.volume_ml == pytest.approx(2.5 + 12.5)


def test_a_trial_into_a_jug_counts_as_no_drink(rig):
    rig.say(ConfirmJug(volume_ml=500))
    assert refused(rig, K.TRIAL, 4, 40, jug=True) == []
    assert hour_g(rig) == 0.0
    assert rig.guard.core.memory.vessel.in_glass == Poured()


def test_a_word_in_the_plan_is_no_jug(rig):
    rig.start_guard()
    rig.ready()
    for kind in (K.TRIAL, K.JOG, K.PRIME, K.PURGE):
        assert refused(rig, kind, 1, 1, jug=True) == ["jug"]


def test_a_serving_counts_as_a_drink_whatever_its_plan_says_of_a_jug(rig):
    rig.say(ConfirmJug(volume_ml=2000))
    assert refused(rig, K.SERVE, 4, 40, jug=True) == ["serving_ethanol"]


def test_one_confirmation_is_good_for_its_volume(rig):
    rig.say(ConfirmJug(volume_ml=100))
    assert refused(rig, K.TRIAL, 1, 30, jug=True) == []  # 75 mL of it
    (no,) = [one for one in ask(rig, K.TRIAL, 1, 11, jug=True) if isinstance(one, Refusal)]
    assert (no.rule, no.asked, no.allowed) == ("jug", "27.5 mL", "25.0 mL")
    assert refused(rig, K.TRIAL, 1, 10, jug=True) == []
    assert refused(rig, K.JOG, 1, 0.1, jug=True) == ["jug"]


def test_a_glass_in_between_ends_the_confirmation(rig):
    rig.say(ConfirmJug(volume_ml=2000))
    assert refused(rig, K.SERVE, 1, 5) == []
    assert refused(rig, K.TRIAL, 1, 5, jug=True) == ["jug"]


@pytest.mark.parametrize("volume_ml", [0.0, -1.0, 2000.1, math.nan, math.inf])
def test_no_jug_is_larger_than_the_profile_says(rig, volume_ml):
    (no,) = rig.say(ConfirmJug(volume_ml=volume_ml))
    assert (no.rule, no.allowed) == ("jug", "up to 2000 mL")


def test_a_lifted_vessel_is_another_one():
    rig = Rig(profile(glass=GLASS))
    rig.board.contacts["glass"] = True
    rig.primed(1, 4)
    assert refused(rig, K.TRIAL, 4, 25) == []
    rig.say(ConfirmJug(volume_ml=500))
    assert refused(rig, K.TRIAL, 4, 25) == ["serving_ethanol"]  # the contact has seen no glass lifted
    rig.board.contacts["glass"] = False
    rig.run(0.7)
    rig.board.contacts["glass"] = True
    rig.run(1)
    assert refused(rig, K.TRIAL, 4, 25) == ["serving_ethanol"]  # pushed, not lifted
    rig.board.contacts["glass"] = False
    rig.run(2)
    rig.board.contacts["glass"] = True
    rig.run(1)
    assert refused(rig, K.TRIAL, 1, 5, jug=True) == ["jug"]  # what stood there is gone, be it the jug
    assert refused(rig, K.TRIAL, 4, 25) == []


def test_without_a_glass_contact_a_jug_takes_the_glass_place(rig):
    assert refused(rig, K.TRIAL, 4, 25) == []
    rig.say(ConfirmJug(volume_ml=500))
    assert refused(rig, K.TRIAL, 4, 25, jug=True) == []
    assert refused(rig, K.TRIAL, 4, 25) == []


def test_what_is_in_the_glass_survives_a_restart_and_the_jug_does_not(rig):
    assert refused(rig, K.TRIAL, 4, 25) == []
    rig.say(ConfirmJug(volume_ml=500))
    rig.start_guard()
    rig.ready()
    assert refused(rig, K.TRIAL, 4, 25) == ["serving_ethanol"]
    assert refused(rig, K.TRIAL, 4, 25, jug=True) == ["jug"]


def test_a_jog_counts_by_what_stands_in_the_tube_whatever_the_plan_calls_it():
    rig = Rig(with_caps(serving_ethanol_g=0.5)).primed(4)
    operation = Operation(operation="j", kind=K.JOG, segments=(Segment(runs=(run_of(4, JUICE, 0, 1),)),))
    assert [one.rule for one in rig.say(Start(operation=operation)) if isinstance(one, Refusal)] == ["serving_ethanol"]


def test_a_stopped_trial_counts_what_it_poured(rig):
    ask(rig, K.TRIAL, 4, 25)
    rig.run(5)
    rig.say(Stop())
    rig.run(1)
    (ended,) = rig.of(Ended)[-1:]
    assert hour_g(rig) == pytest.approx(ended.deliveries[0].worst_ml * GRAMS_ML)
    assert rig.guard.core.memory.vessel.in_glass.volume_ml == pytest.approx(ended.deliveries[0].worst_ml)


def test_cleaner_in_the_funnel_keeps_trials_and_jogs_out_of_glasses(rig):
    clean = Operation(operation="c", kind=K.CLEAN, segments=(Segment(runs=(run_of(2, "cleaner", 0, 10),)),), jug=True)
    rig.say(Start(operation=clean))
    rig.run(13)
    assert refused(rig, K.TRIAL, 1, 5) == ["funnel"]
    assert refused(rig, K.JOG, 1, 0.5) == ["funnel"]
    rig.say(ConfirmJug(volume_ml=500))
    assert refused(rig, K.JOG, 1, 0.5, jug=True) == []
