"""The guard in virtual time: stops, holds, hand steps, silence, faults; the board's whole trace counts."""

import pytest
from guard_parts import GLASS, LEVEL_1, Rig, prime, profile, run_of, serve, with_caps
from msgspec.structs import replace

from controller.model.calibration import Calibration
from controller.model.messages import (
    Acknowledge,
    Admitted,
    AskReport,
    Assign,
    Changed,
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
    TakeCalibration,
    Unhold,
)
from controller.model.plan import Operation, Segment
from controller.model.states import Contents, MachineState, OperationKind, Outcome

JUICE, SYRUP, TEA = "apple juice", "ginger syrup", "cold tea"
JUICE_10_S = serve(run_of(1, JUICE, 0, 10))


def last_off_s(rig: Rig) -> float:
    assert rig.board.on == set()
    return max(at_s for at_s, _, is_on in rig.board.trace if not is_on)


def state(rig: Rig) -> MachineState:
    return rig.say(AskReport())[-1].state


def pouring(rig: Rig, seconds: float = 3.0, operation: Operation = JUICE_10_S) -> float:
    """Serving has begun and has run for some seconds; when that is."""
    rig.say(Start(operation=operation))
    rig.run(seconds)
    assert rig.board.on
    return rig.clock.now_s()


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

    assert rig.say(Start(operation=replace(JUICE_10_S, operation="s2")))[-1].rule == "state"
    assert rig.say(Acknowledge(cause="stop pressed"))[-1].rule == "cause"  # still pressed
    rig.board.contacts["stop"] = True
    rig.run(1)
    assert state(rig) is MachineState.ABORTED
    assert rig.say(Acknowledge(cause="board"))[-1].allowed == "stop pressed"
    rig.say(Acknowledge(cause="stop pressed"))
    assert rig.run(30) is not None
    assert state(rig) is MachineState.IDLE
    assert last_off_s(rig) - now_s <= 0.041  # nothing began again


def test_without_a_fault_there_is_nothing_to_acknowledge():
    rig = Rig().ready()
    assert rig.say(Acknowledge(cause="stop pressed"))[-1].rule == "state"
    assert state(rig) is MachineState.IDLE


def test_pressing_stop_while_idle_latches_too():
    rig = Rig().ready()
    rig.board.contacts["stop"] = False
    rig.run(1)
    assert state(rig) is MachineState.ABORTED
    assert rig.say(Acknowledge(cause="stop pressed"))[-1].rule == "cause"


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
    assert rig.say(rest)[-1].rule == "glass"
    rig.board.contacts["glass"] = True
    rig.run(5)
    assert rig.board.on == set()  # a glass that is back restarts nothing
    rig.say(rest)
    assert rig.board.on == {1}
    rig.run(8)
    ended = rig.of(Ended)[-1]
    assert ended.outcome is Outcome.DONE
    assert ended.deliveries[0].on_s == pytest.approx(10.03, abs=0.02)  # 3 s, some 30 ms until seen, 7 s


def test_what_was_poured_counts_when_going_on():
    rig = glass_rig(serving_volume_ml=40)
    pouring(rig, 3.0, serve(run_of(1, JUICE, 0, 15)))
    lift(rig)
    rig.board.contacts["glass"] = True
    rig.run(1)
    # About 3 s have been poured: with 15 s more it were 45 mL, nominal flow x 1.25.
    refused = rig.say(Unhold(operation="s1", runs=(run_of(1, JUICE, 0, 15),)))
    assert [one.rule for one in refused] == ["serving_volume"]
    assert refused[0].asked == "45.1 mL"
    assert rig.board.on == set()
    assert rig.say(Unhold(operation="s1", runs=(run_of(2, TEA, 0, 1),)))[-1].rule == "plan"
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
    assert rig.say(Unhold(operation="s1", runs=rest))[-1].rule == "level"
    rig.board.contacts["level 1"] = False
    rig.run(1)
    rig.say(Unhold(operation="s1", runs=rest))
    rig.run(6)
    assert rig.of(Ended)[-1].outcome is Outcome.DONE


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
    assert Admitted(operation="s1", kind=OperationKind.SERVE) in events
    assert rig.of(Changed)[-1].waiting_for == "add ice"
    lift(rig, 5)  # the glass may be taken away to add ice
    assert rig.say(Confirm(operation="s1"))[-1].rule == "glass"
    rig.board.contacts["glass"] = True
    rig.run(1)
    assert rig.board.on == set()
    assert rig.say(Unhold(operation="s1", runs=()))[-1].rule == "operation"
    assert rig.say(Confirm(operation="other"))[-1].rule == "operation"
    rig.say(Confirm(operation="s1"))
    assert rig.board.on == {1}
    assert rig.say(Confirm(operation="s1"))[-1].rule == "state"
    rig.run(6)
    assert (rig.board.on, rig.of(Changed)[-1].waiting_for) == (set(), "stir")
    rig.say(Confirm(operation="s1"))
    rig.run(3)
    ended = rig.of(Ended)[-1]
    assert (ended.outcome, [one.on_s for one in ended.deliveries]) == (
        Outcome.DONE,
        [pytest.approx(5), pytest.approx(2)],
    )


def test_unhold_with_nothing_left_goes_on_with_the_next_segment():
    rig = glass_rig()
    segments = (Segment(runs=(run_of(1, JUICE, 0, 5),)), Segment(runs=(run_of(2, SYRUP, 0, 2),), hand="stir"))
    pouring(rig, 3.0, replace(JUICE_10_S, segments=segments))
    lift(rig)
    rig.board.contacts["glass"] = True
    rig.run(1)
    rig.say(Unhold(operation="s1", runs=()))
    assert rig.of(Changed)[-1].waiting_for == "stir"


# --- faults of the machine itself


def test_a_board_that_fails_switches_everything_off_and_is_tried_again_until_it_obeys():
    rig = Rig().primed(1, 2)
    rig.board.broken = {2}
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 10), run_of(2, SYRUP, 0.5, 5))))
    rig.run(2)
    assert rig.board.on == set()
    assert (rig.of(FaultLatchedEvent)[-1].cause, rig.of(Ended)[-1].outcome) == ("board", Outcome.FAULTED)
    tried = rig.board.all_offs
    rig.run(1)
    assert rig.board.all_offs - tried == pytest.approx(10, abs=1)  # every 0.1 s
    assert rig.say(Acknowledge(cause="board"))[-1].rule == "cause"
    rig.board.broken = set()
    rig.run(1)
    rig.say(Acknowledge(cause="board"))
    assert state(rig) is MachineState.IDLE
    assert rig.board.on == set()


def test_a_channel_that_does_not_switch_off_is_a_fault_and_the_operation_is_not_done():
    rig = Rig().primed(1)
    pouring(rig)
    rig.board.broken = {1}
    rig.run(10)
    assert rig.of(Ended)[-1].outcome is Outcome.FAULTED
    rig.board.broken = set()
    rig.run(0.2)
    assert rig.board.on == set()


def test_unreadable_contacts_are_a_fault():
    rig = Rig().primed(1)
    now_s = pouring(rig)
    rig.board.unreadable = True
    rig.run(1)
    assert last_off_s(rig) - now_s <= 0.021
    assert rig.of(FaultLatchedEvent)[-1].cause == "inputs"
    assert rig.say(Acknowledge(cause="inputs"))[-1].rule == "cause"
    rig.board.unreadable = False
    rig.run(1)
    rig.say(Acknowledge(cause="inputs"))
    assert state(rig) is MachineState.IDLE


def test_late_starts_move_what_follows_and_keep_volumes_and_gaps():
    rig = Rig().primed(1, 2, 3)
    rig.board.trace.clear()
    runs = (run_of(1, JUICE, 0, 4), run_of(2, SYRUP, 1.0, 2), run_of(3, TEA, 1.1, 2))
    rig.say(Start(operation=serve(*runs)))
    began_s = rig.clock.now_s()
    rig.run(0.9)
    rig.clock.move_to(began_s + 1.05)  # 50 ms late for line 2
    rig.run(5)
    assert [(round(at_s - began_s, 3), line, on) for at_s, line, on in rig.board.trace] == [
        (0.0, 1, True),
        (1.05, 2, True),
        (1.15, 3, True),
        (3.05, 2, False),
        (3.15, 3, False),
        (4.0, 1, False),
    ]
    assert rig.of(Ended)[-1].outcome is Outcome.DONE


def test_starts_that_come_far_too_late_end_the_operation():
    rig = Rig().primed(1, 2)
    rig.board.trace.clear()
    rig.say(Start(operation=serve(run_of(1, JUICE, 0, 4), run_of(2, SYRUP, 1.0, 2))))
    rig.run(0.9)
    rig.clock.move_to(rig.clock.now_s() + 0.21)
    rig.run(5)
    assert [(line, on) for _, line, on in rig.board.trace] == [(1, True), (1, False)]
    assert rig.of(Ended)[-1].outcome is Outcome.ABORTED
    assert state(rig) is MachineState.IDLE


def test_a_low_container_while_priming_frees_no_ethanol():
    rig = Rig(profile(levels=(LEVEL_1,)))
    rig.board.contacts["level 1"] = False
    rig.primed(1, 4)
    rig.say(Start(operation=serve(run_of(4, "sloe gin", 0, 25))))
    rig.run(30)
    booked = rig.guard._core.memory.servings
    assert booked[0].ethanol_g == pytest.approx(12.825, abs=0.001)  # 25 s x 2.5 mL/s x 26 % x 0.78924 g/mL
    rig.say(Start(operation=prime(1, JUICE, name="again")))
    rig.run(3)
    rig.board.contacts["level 1"] = True
    rig.run(1)
    rig.board.contacts["level 1"] = False
    rig.run(1)
    rig.say(Unhold(operation="again", runs=(run_of(1, JUICE, 0, 5),)))
    rig.run(6)
    assert rig.of(Ended)[-1].outcome is Outcome.DONE
    assert rig.guard._core.memory.servings == booked


def test_a_loop_that_stood_still_past_an_end_is_a_fault():
    rig = Rig().primed(1)
    rig.say(Start(operation=JUICE_10_S))
    rig.run(9.9)
    rig.clock.move_to(rig.clock.now_s() + 0.3)
    rig.guard.handle("engine", Heartbeat())
    assert rig.board.on == set()
    assert rig.of(FaultLatchedEvent)[-1].cause in ("late", "inputs")
    assert rig.of(Ended)[-1].outcome is Outcome.FAULTED


# --- what the process around it says


def test_without_a_sentinel_nothing_begins_and_nothing_is_latched():
    rig = Rig().primed(1)
    now_s = pouring(rig)
    rig.guard.hinder("sentinel", "the sentinel has ended")
    assert last_off_s(rig) == now_s
    assert (rig.of(Ended)[-1].outcome, rig.of(Ended)[-1].reason) == (Outcome.ABORTED, "the sentinel has ended")
    rig.run(3)
    refusal = rig.say(Start(operation=replace(JUICE_10_S, operation="s2")))[-1]
    assert (refusal.rule, refusal.reason) == ("state", "the machine is stopped: the sentinel has ended.")
    assert rig.of(FaultLatchedEvent) == []
    rig.guard.unhinder("sentinel")
    rig.run(1)
    rig.say(Start(operation=replace(JUICE_10_S, operation="s2")))
    assert rig.board.on == {1}


def test_the_end_of_the_process_stops_what_is_under_way():
    rig = Rig().primed(1)
    now_s = pouring(rig)
    rig.guard.end("the guard was told to stop")
    assert last_off_s(rig) == now_s
    assert (rig.of(Ended)[-1].outcome, rig.of(Ended)[-1].reason) == (Outcome.STOPPED, "the guard was told to stop")
    rig.guard.end("again")
    assert rig.of(Ended)[-1].reason == "the guard was told to stop"


# --- who may say what


def test_a_client_begins_with_hello():
    rig = Rig()
    rig.run(0.5, beat=False)
    assert rig.say(Start(operation=JUICE_10_S), "stranger")[-1].rule == "hello"
    assert rig.say(AskReport(), "stranger")[-1].rule == "hello"


def test_one_engine_at_a_time_and_observers_only_look_and_stop():
    rig = Rig().primed(1)
    assert rig.say(Hello(version=1, role="engine"), "second")[-1].rule == "engine"
    rig.say(Hello(version=1, role="observer"), "display")
    assert isinstance(rig.say(AskReport(), "display")[-1], Report)
    for command in (Start(operation=JUICE_10_S), Acknowledge(cause="x"), Assign(line=1, liquid=TEA), Heartbeat()):
        assert rig.say(command, "display")[-1].rule == "engine"
    rig.guard.client_gone("engine")
    assert isinstance(rig.say(Hello(version=1, role="engine"), "second")[0], Report)


def test_another_version_is_refused():
    rig = Rig()
    rig.run(0.5, beat=False)
    refusal = rig.say(Hello(version=2, role="engine"))[-1]
    assert (refusal.rule, refusal.allowed) == ("version", "1")
    assert rig.say(Start(operation=JUICE_10_S))[-1].rule == "hello"


def test_only_one_operation_at_a_time_and_each_id_once():
    rig = Rig().primed(1, 2)
    pouring(rig)
    refusal = rig.say(Start(operation=serve(run_of(2, SYRUP, 0, 5), name="s2")))[-1]
    assert (refusal.request, refusal.rule) == ("s2", "state")
    rig.run(10)
    assert rig.say(Start(operation=JUICE_10_S))[-1].rule == "repeated"


def test_lines_are_not_changed_while_something_runs():
    rig = Rig().primed(1)
    pouring(rig)
    new = Calibration(line=1, liquid=JUICE, flow_ml_s=2.1, lag_s=0.1, u_flow_ml_s=0.01, u_lag_s=0.01, cov_flow_lag=0.0)
    assert rig.say(Assign(line=2, liquid=TEA))[-1].rule == "state"
    assert rig.say(TakeCalibration(calibration=new))[-1].rule == "state"
    rig.run(10)
    assert rig.say(TakeCalibration(calibration=new))[-1].report.calibration == new
    assert rig.say(Assign(line=2, liquid=TEA))[-1].report.liquid == TEA


def test_before_the_contacts_are_known_nothing_begins():
    rig = Rig()
    rig.say(Hello(version=1, role="engine"))
    assert rig.say(Start(operation=prime(1, JUICE)))[-1].rule == "state"
    rig.run(0.1)
    assert rig.board.trace == []


# --- a line's whole life


def test_from_juice_to_tea_and_back_by_cleaning():
    rig = Rig().primed(1)

    def do(kind: OperationKind, liquid: str, seconds: float, *rules: str) -> None:
        number = len(rig.events)
        run = run_of(1, liquid, 0, seconds)
        operation = Operation(operation=f"op{number}", kind=kind, segments=(Segment(runs=(run,)),), jug=True)
        if kind is OperationKind.SERVE:
            operation = replace(operation, glass="tumbler")
        refused = [event.rule for event in rig.say(Start(operation=operation)) if isinstance(event, Refusal)]
        rig.run(seconds + 3)
        assert refused == list(rules)

    def contents() -> Contents:
        return rig.say(AskReport())[-1].lines[0].contents

    do(OperationKind.SERVE, JUICE, 5)
    rig.say(Assign(line=1, liquid=TEA))
    do(OperationKind.SERVE, TEA, 5, "contents")
    do(OperationKind.PRIME, TEA, 10, "rinsing")
    do(OperationKind.PURGE, "air", 10)
    assert contents() is Contents.EMPTY
    do(OperationKind.PRIME, TEA, 10, "rinsing")
    do(OperationKind.RINSE, "rinse water", 36)  # five tubes of 12.6 mL at 85 % of 2 mL/s: 37.0 s
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
