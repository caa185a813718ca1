"""The guard in virtual time: a board, contacts, a disk or a clock that fail, and the process around it."""

import pytest
from msgspec.structs import replace

from controller.clock import VirtualClock
from controller.ledger.journal import MemoryJournal
from controller.model.messages import (
    SILENCE_S,
    Acknowledge,
    Ended,
    FaultLatchedEvent,
    Heartbeat,
    Start,
    Unhold,
)
from controller.model.states import MachineState, Outcome
from tests.guard.guard_parts import (
    GLASS,
    JUICE_10_S,
    LEVEL_1,
    Rig,
    last_off_s,
    pouring,
    prime,
    profile,
    run_of,
    serve,
    state,
)

JUICE, SYRUP, TEA = "apple juice", "ginger syrup", "cold tea"

# --- a card that takes its time


class SlowCard(MemoryJournal):
    """Every write takes so long, and meanwhile the guard hears and sees nothing."""

    def __init__(self, clock: VirtualClock, takes_s: float) -> None:
        super().__init__()
        self.clock, self.takes_s = clock, takes_s

    def append(self, body: bytes) -> None:
        super().append(body)
        self.clock.move_to(self.clock.now_s() + self.takes_s)


def on_a_slow_card(takes_s: float, machine=None) -> Rig:
    clock = VirtualClock(now_s=1000.0)
    return Rig(machine, SlowCard(clock, takes_s), clock=clock)


@pytest.mark.parametrize("takes_s", [0.05, 0.6, 2.0])
def test_a_slow_card_only_delays_the_start(takes_s):
    rig = on_a_slow_card(takes_s, profile(glass=GLASS))
    rig.board.contacts["glass"] = True
    rig.primed(1)
    asked_s = rig.clock.now_s()
    rig.say(Start(operation=JUICE_10_S))
    began_s = rig.board.trace[-1][0]
    assert began_s - asked_s == pytest.approx(takes_s, abs=0.05)
    rig.run(3)
    rig.board.contacts["glass"] = False
    rig.run(1)
    rig.board.contacts["glass"] = True
    rig.run(1)
    rig.say(Start(operation=JUICE_10_S))  # refused, and that is written while it is held
    rig.run(2 + takes_s)
    rig.say(Unhold(operation="s1", runs=(run_of(1, JUICE, 0, 7),)))
    rig.run(8 + 3 * takes_s)
    assert [(one.outcome, one.reason) for one in rig.of(Ended)] == [(Outcome.DONE, "")] * 2
    assert rig.of(FaultLatchedEvent) == []


def test_an_engine_that_is_silent_after_a_slow_write_is_missed_as_soon_as_ever():
    rig = on_a_slow_card(2.0).primed(1)
    rig.say(Start(operation=JUICE_10_S))
    began_s = rig.board.trace[-1][0]
    rig.run(3, beat=False)
    assert last_off_s(rig) - began_s == pytest.approx(SILENCE_S, abs=0.01)
    assert rig.of(Ended)[-1].reason == "no heartbeat from the engine for 0.5 s"


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
    assert rig.refused(Acknowledge(cause="board")).rule == "cause"
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
    assert rig.refused(Acknowledge(cause="inputs")).rule == "cause"
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
    booked = rig.guard.core.memory.servings
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
    assert rig.guard.core.memory.servings == booked


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
    rig.guard.block("sentinel", "the sentinel has ended")
    assert last_off_s(rig) == now_s
    assert (rig.of(Ended)[-1].outcome, rig.of(Ended)[-1].reason) == (Outcome.ABORTED, "the sentinel has ended")
    rig.run(3)
    refusal = rig.refused(Start(operation=replace(JUICE_10_S, operation="s2")))
    assert (refusal.rule, refusal.reason) == ("state", "the machine is stopped: the sentinel has ended.")
    assert rig.of(FaultLatchedEvent) == []
    rig.guard.unblock("sentinel")
    rig.run(1)
    rig.say(Start(operation=replace(JUICE_10_S, operation="s2")))
    assert rig.board.on == {1}


def test_the_end_of_the_process_stops_what_is_under_way():
    rig = Rig().primed(1)
    now_s = pouring(rig)
    rig.guard.end("the guard was stopped")
    assert last_off_s(rig) == now_s
    assert (rig.of(Ended)[-1].outcome, rig.of(Ended)[-1].reason) == (Outcome.STOPPED, "the guard was stopped")
    rig.guard.end("again")
    assert rig.of(Ended)[-1].reason == "the guard was stopped"
