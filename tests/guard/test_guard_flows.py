"""The guard in virtual time: stops, holds, hand steps, silence, faults; the board's whole trace counts."""

import math
from functools import partial

import pytest
from msgspec.structs import replace

from controller.config.keys import Quantity, keys_of
from controller.model.messages import (
    Acknowledge,
    Admitted,
    AskReport,
    Assign,
    Changed,
    Command,
    Confirm,
    Ended,
    FaultLatchedEvent,
    Heartbeat,
    Hello,
    LineChanged,
    Refusal,
    Report,
    Start,
    Stop,
    Unhold,
)
from controller.model.plan import Operation, Segment
from controller.model.states import Contents, MachineState, OperationKind, Outcome
from controller.model.wiring import Contact, Inputs, StopContact
from tests.guard.guard_parts import (
    GLASS,
    JUICE_10_S,
    LEVEL_1,
    TRAY,
    Rig,
    exact,
    last_off_s,
    only,
    pouring,
    profile,
    run_of,
    serve,
    state,
    with_caps,
)

JUICE, SYRUP, TEA = "apple juice", "ginger syrup", "cold tea"

# --- stopping


@pytest.mark.parametrize("client", ["engine", "somebody who never said hello"])
def test_stop_is_heard_from_anyone_and_acts_at_once(client):
    rig = Rig().primed(1)
    now_s = pouring(rig)
    rig.say(Stop(), client)
    assert last_off_s(rig) == now_s
    ended = rig.of(Ended)[-1]
    assert (ended.outcome, ended.deliveries[0].delivered_ml) == (Outcome.STOPPED, pytest.approx(6.0))
    rig.run(30)
    assert rig.board.on == set()
    assert state(rig) is MachineState.IDLE


def test_the_stop_contact_latches_until_it_is_released_and_acknowledged():
    rig = Rig().primed(1)
    now_s = pouring(rig)
    rig.board.contacts["stop"] = False
    rig.run(1)
    assert last_off_s(rig) - now_s <= 0.041  # one reading and 20 ms of debouncing
    assert rig.of(Ended)[-1].outcome is Outcome.FAULTED
    assert [fault.cause for fault in rig.of(FaultLatchedEvent)] == ["stop pressed"]

    assert rig.refused(Start(operation=replace(JUICE_10_S, operation="s2"))).rule == "state"
    assert rig.refused(Acknowledge(cause="stop pressed")).rule == "cause"  # still pressed
    rig.board.contacts["stop"] = True
    rig.run(1)
    assert state(rig) is MachineState.ABORTED
    assert rig.refused(Acknowledge(cause="board")).allowed == "stop pressed"
    rig.say(Acknowledge(cause="stop pressed"))
    assert rig.run(30) is not None
    assert state(rig) is MachineState.IDLE
    assert last_off_s(rig) - now_s <= 0.041  # nothing began again


def test_without_a_fault_there_is_nothing_to_acknowledge():
    rig = Rig().ready()
    assert rig.refused(Acknowledge(cause="stop pressed")).rule == "state"
    assert state(rig) is MachineState.IDLE


def test_pressing_stop_while_idle_latches_too():
    rig = Rig().ready()
    rig.board.contacts["stop"] = False
    rig.run(1)
    assert state(rig) is MachineState.ABORTED
    assert rig.refused(Acknowledge(cause="stop pressed")).rule == "cause"


def test_silence_of_the_engine_switches_off_after_half_a_second():
    rig = Rig().primed(1)
    pouring(rig)
    rig.guard.handle("engine", Heartbeat())
    now_s = rig.clock.now_s()
    rig.run(20, beat=False)
    assert last_off_s(rig) == pytest.approx(now_s + 0.5)
    ended = rig.of(Ended)[-1]
    assert ended.outcome is Outcome.ABORTED
    assert "heartbeat" in ended.reason
    assert state(rig) is MachineState.IDLE


def test_an_observer_does_not_beat_for_the_engine():
    rig = Rig().primed(1)
    now_s = pouring(rig)
    rig.say(Hello(version=1, role="observer"), "display")
    for _ in range(20):
        rig.run(0.1, beat=False)
        rig.say(AskReport(), "display")
    assert last_off_s(rig) <= now_s + 0.5


def test_a_lost_engine_switches_off_at_once():
    rig = Rig().primed(1)
    now_s = pouring(rig)
    rig.guard.client_gone("engine")
    assert last_off_s(rig) == now_s
    again = rig.say(Hello(version=1, role="engine"), "another engine")
    assert isinstance(again[0], Report)
    assert isinstance(again[1], Ended)
    assert again[1].reason == "engine connection lost"  # nobody has heard it yet


# --- holds


def glass_rig(**caps: float) -> Rig:
    rig = Rig(replace(with_caps(**caps), inputs=profile(glass=GLASS).inputs))
    rig.board.contacts["glass"] = True
    return rig.primed(1, 2)


def lift(rig: Rig, seconds: float = 1.0) -> float:
    now_s = rig.clock.now_s()
    rig.board.contacts["glass"] = False
    rig.run(seconds)
    return now_s


def test_lifting_the_glass_holds_and_the_rest_is_poured_after_it_is_back():
    rig = glass_rig()
    pouring(rig)
    lifted_s = lift(rig)
    assert last_off_s(rig) - lifted_s <= 0.041
    assert rig.of(Changed)[-1].state is MachineState.HELD
    assert rig.of(Changed)[-1].waiting_for == "glass"
    rest = Unhold(operation="s1", runs=(run_of(1, JUICE, 0, 7),))
    assert rig.refused(rest).rule == "glass"
    rig.board.contacts["glass"] = True
    rig.run(5)
    assert rig.board.on == set()  # a glass that is back restarts nothing
    rig.say(rest)
    assert rig.board.on == {1}
    rig.run(8)
    ended = rig.of(Ended)[-1]
    assert ended.outcome is Outcome.DONE
    assert ended.deliveries[0].on_s == pytest.approx(10.03, abs=0.02)  # 3 s, some 30 ms until seen, 7 s


def test_nothing_goes_on_onto_a_full_tray():
    rig = Rig(profile(glass=GLASS, drip_tray=TRAY))
    rig.board.contacts |= {"glass": True, "drip tray": False}
    rig.primed(1)
    pouring(rig)
    lift(rig)
    rig.board.contacts |= {"glass": True, "drip tray": True}
    rig.run(1)
    rest = Unhold(operation="s1", runs=(run_of(1, JUICE, 0, 7),))
    assert rig.refused(rest).rule == "drip_tray"
    rig.run(1)
    assert rig.board.on == set()
    rig.board.contacts["drip tray"] = False
    rig.run(1)
    rig.say(rest)
    assert rig.board.on == {1}


# --- somebody must watch before anything begins


class Sentinel:
    """Answers from `at_s` on."""

    def __init__(self, rig: Rig) -> None:
        self.rig, self.at_s, self.asked = rig, math.inf, 0
        rig.is_watched = self
        rig.start_guard()

    def __call__(self) -> bool:
        self.asked += 1
        return self.rig.clock.now_s() >= self.at_s


def test_nothing_begins_before_the_sentinel_has_answered():
    rig = Rig().primed(1)
    watcher = Sentinel(rig)
    rig.ready()
    rig.say(Start(operation=JUICE_10_S))
    rig.run(0.3)
    assert (rig.board.on, state(rig)) == (set(), MachineState.STARTING)
    assert rig.of(Admitted)[-1].operation != "s1"
    watcher.at_s = rig.clock.now_s()
    rig.guard.tick()
    assert rig.board.on == {1}


@pytest.mark.parametrize("how", ["start", "unhold", "confirm"])
def test_a_sentinel_that_does_not_answer_ends_what_was_to_begin(how):
    rig = glass_rig()
    watcher = Sentinel(rig)
    watcher.at_s = 0.0
    rig.ready()
    if how == "confirm":
        begun = replace(JUICE_10_S, segments=(replace(JUICE_10_S.segments[0], hand="add ice"),))
        rig.say(Start(operation=begun))
        rig.run(1)
    elif how == "unhold":
        pouring(rig)
        lift(rig)
        rig.board.contacts["glass"] = True
        rig.run(1)
    before = len(rig.board.trace)
    watcher.at_s = math.inf
    rest = Unhold(operation="s1", runs=(run_of(1, JUICE, 0, 7),))
    commands: dict[str, Command] = {
        "start": Start(operation=JUICE_10_S),
        "unhold": rest,
        "confirm": Confirm(operation="s1"),
    }
    rig.say(commands[how])
    rig.run(0.4)
    rig.guard.block("sentinel", "the sentinel did not answer")
    rig.run(1)
    assert len(rig.board.trace) == before, "nothing was wetted"
    assert (rig.of(Ended)[-1].outcome, rig.of(Ended)[-1].reason) == (Outcome.ABORTED, "the sentinel did not answer")
    rig.guard.unblock("sentinel")
    watcher.at_s = 0.0
    rig.run(1)
    assert state(rig) is MachineState.IDLE


def test_a_stop_is_heard_while_the_sentinel_is_asked():
    rig = Rig().primed(1)
    watcher = Sentinel(rig)
    rig.ready()
    before = len(rig.board.trace)
    rig.say(Start(operation=JUICE_10_S))
    rig.say(Stop(), "anyone")
    watcher.at_s = 0.0
    rig.run(1)
    assert len(rig.board.trace) == before
    assert rig.of(Ended)[-1].outcome is Outcome.STOPPED


def test_what_was_poured_counts_when_going_on():
    rig = glass_rig(serving_volume_ml=40)
    pouring(rig, 3.0, serve(run_of(1, JUICE, 0, 15)))
    lift(rig)
    rig.board.contacts["glass"] = True
    rig.run(1)
    # About 3 s have been poured: with 15 s more it were 45 mL, nominal flow x 1.25.
    refused = only(rig.say(Unhold(operation="s1", runs=(run_of(1, JUICE, 0, 15),))), Refusal)
    assert (refused.rule, refused.asked) == ("serving_volume", "45.1 mL")
    assert rig.board.on == set()
    assert rig.refused(Unhold(operation="s1", runs=(run_of(2, TEA, 0, 1),))).rule == "plan"
    rig.say(Unhold(operation="s1", runs=(run_of(1, JUICE, 0, 12),)))
    assert rig.board.on == {1}


def test_held_too_long_is_aborted():
    rig = glass_rig(held_s=10)
    pouring(rig)
    lift(rig, 9.5)
    assert state(rig) is MachineState.HELD
    rig.run(1)
    assert (rig.of(Ended)[-1].outcome, state(rig)) == (Outcome.ABORTED, MachineState.IDLE)


def test_a_held_operation_can_be_stopped():
    rig = glass_rig()
    pouring(rig)
    lift(rig)
    rig.say(Stop(), "anyone")
    assert rig.of(Ended)[-1].outcome is Outcome.STOPPED


def test_a_low_container_holds():
    rig = Rig(profile(levels=(LEVEL_1,)))
    rig.board.contacts["level 1"] = False
    rig.primed(1, 2)
    pouring(rig, 2.0, serve(run_of(1, JUICE, 0, 10), run_of(2, SYRUP, 0.5, 10)))
    rig.board.contacts["level 1"] = True
    rig.run(1)
    assert rig.board.on == set()
    assert rig.of(Changed)[-1].waiting_for == "container on line 1"
    rest = (run_of(1, JUICE, 0, 5), run_of(2, SYRUP, 0.5, 5))
    assert rig.refused(Unhold(operation="s1", runs=rest)).rule == "level"
    rig.board.contacts["level 1"] = False
    rig.run(1)
    rig.say(Unhold(operation="s1", runs=rest))
    rig.run(6)
    assert rig.of(Ended)[-1].outcome is Outcome.DONE


def test_unhold_with_nothing_left_goes_on_with_the_next_segment():
    rig = glass_rig()
    segments = (Segment(runs=(run_of(1, JUICE, 0, 5),)), Segment(runs=(run_of(2, SYRUP, 0, 2),), hand="stir"))
    pouring(rig, 3.0, replace(JUICE_10_S, segments=segments))
    lift(rig)
    rig.board.contacts["glass"] = True
    rig.run(1)
    rig.say(Unhold(operation="s1", runs=()))
    assert rig.of(Changed)[-1].waiting_for == "stir"


# --- a line's whole life


def attempt(rig: Rig, kind: OperationKind, liquid: str, seconds: float, *rules: str) -> None:
    """One operation on line 1, refused by just these rules."""
    number = len(rig.events)
    run = run_of(1, liquid, 0, seconds)
    operation = Operation(operation=f"op{number}", kind=kind, segments=(Segment(runs=(run,)),), jug=True)
    if kind is OperationKind.SERVE:
        operation = replace(operation, glass="tumbler", empty_glass=True)
    refused = [event.rule for event in rig.say(Start(operation=operation)) if isinstance(event, Refusal)]
    rig.run(seconds + 3)
    assert refused == list(rules)


def test_from_juice_to_tea_and_back_by_cleaning():
    rig = Rig(exact(profile())).primed(1)
    do = partial(attempt, rig)

    def contents() -> Contents:
        return rig.report().lines[0].contents

    do(OperationKind.SERVE, JUICE, 5)
    rig.say(Assign(line=1, liquid=TEA))
    do(OperationKind.SERVE, TEA, 5, "contents")
    do(OperationKind.PRIME, TEA, 10, "rinsing")
    do(OperationKind.PURGE, "air", 10)
    assert contents() is Contents.EMPTY
    do(OperationKind.PRIME, TEA, 10, "rinsing")
    do(OperationKind.RINSE, "rinse water", 31)  # five tubes of 12.6 mL at 2 mL/s, and 0.1 s to start: 31.5 s
    do(OperationKind.PRIME, TEA, 10, "rinsing")
    do(OperationKind.RINSE, "rinse water", 38)
    assert contents() is Contents.RINSE_WATER
    do(OperationKind.PRIME, TEA, 10)
    assert contents() is Contents.LIQUID
    do(OperationKind.SERVE, TEA, 5)
    rig.say(Assign(line=1, liquid=JUICE))  # the tea had milk in it
    do(OperationKind.CLEAN, "cleaner", 10, "contents")
    do(OperationKind.PURGE, "air", 10)
    do(OperationKind.CLEAN, "cleaner", 10)
    assert contents() is Contents.CLEANER
    do(OperationKind.SERVE, JUICE, 0.5, "funnel", "contents")
    for kind in (OperationKind.PRIME, OperationKind.PURGE, OperationKind.JOG):
        do(kind, JUICE, 0.5, "contents")
    do(OperationKind.RINSE, "rinse water", 38, "cleaner_contact")
    rig.run(1200)
    do(OperationKind.RINSE, "rinse water", 38)
    do(OperationKind.PRIME, JUICE, 10)
    do(OperationKind.SERVE, JUICE, 5)
    assert rig.of(LineChanged)[-1].report.holds == JUICE


@pytest.mark.parametrize("phase", range(20))
def test_with_the_slowest_stop_contact_that_a_profile_may_have_all_is_off_within_a_tenth_of_a_second(phase):
    """At any instant of a pour whose edges come so thick that readings are put off for them."""
    debounce = keys_of(Contact)["debounce"].shape
    assert isinstance(debounce, Quantity)
    slowest = StopContact(gpio=17, contact="normally_closed", debounce_s=debounce.high)
    rig = Rig(replace(with_caps(start_gap_s=0.001), inputs=Inputs(stop=slowest))).primed(1)
    pulses = [run_of(1, JUICE, 0.004 * number, 0.002) for number in range(200)]
    rig.say(Start(operation=serve(*pulses)))
    rig.run(0.3 + 0.0017 * phase)
    rig.board.contacts["stop"] = False
    opened_s = rig.clock.now_s()
    rig.run(1)
    assert last_off_s(rig) > opened_s, "it must have been pouring"
    assert last_off_s(rig) - opened_s <= 0.1
