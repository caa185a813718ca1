"""Main relay and current contact in the guard's own order, on a board whose relays stick when told."""

from dataclasses import dataclass, field
from random import Random

import pytest
from msgspec.structs import replace

from controller.clock import VirtualClock
from controller.guard.guard import Guard
from controller.model.messages import Acknowledge, Ended, FaultLatchedEvent, Start, Stop
from controller.model.states import MachineState, Outcome
from controller.model.wiring import Contact, MainRelay
from controller.safety.plausibility import CURRENT_OFF, CURRENT_UNFED, NO_CURRENT
from tests.guard.guard_parts import FakeBoard, Rig, prime, profile, run_of, serve

FED = replace(
    profile(current=Contact(gpio=21, contact="normally_open")), main_relay=MainRelay(gpio=22, active_level="high")
)
SETTLES_S = 2 * 0.015 + 0.1  # the main relay's operate time twice, and 0.1 s for coasting and the switch
FOUND_S = SETTLES_S + 0.02 + 0.02  # and the debounce, and one reading; the relays of this board take no time


@dataclass
class FedBoard(FakeBoard):
    """Current flows while the feed is closed and a channel is on or stuck; what must hold is asserted at each edge."""

    stuck: set[int] = field(default_factory=set)
    dead: set[int] = field(default_factory=set)
    is_fed: bool = False
    fed_s: float = 0.0
    clean_s: float = -1.0  # the last reading without current while fed, all channels off

    def flows(self) -> bool:
        return self.is_fed and bool((self.on | self.stuck) - self.dead)

    def switch(self, line: int, *, on: bool) -> None:
        if on and not self.on:
            assert self.is_fed, "a channel came on without its feed"
            assert self.clean_s >= self.fed_s + SETTLES_S - 1e-9, "a channel came on before the feed was seen clean"
        super().switch(line, on=on)

    def feed(self, *, on: bool) -> None:
        super().feed(on=on)
        assert not (on and self.on), "the feed closed upon a channel that was on"
        if on:
            self.fed_s = self.clock.now_s()
        self.is_fed = on

    def all_off(self):
        self.is_fed = False
        return super().all_off()

    def read(self) -> dict[str, bool]:
        if self.is_fed and not self.on and not self.flows():
            self.clean_s = self.clock.now_s()
        return {"stop": True, "current": self.flows()}


@pytest.fixture
def rig():
    clock = VirtualClock(now_s=1000.0)
    return Rig(FED, clock=clock, board=FedBoard(clock)).ready()


def fault(rig):
    return rig.guard.core.memory.fault


def test_a_run_is_framed_by_the_feed_and_the_sentinel_is_armed_around_both(rig):
    armed = []
    rig.guard = Guard(
        FED, rig.book, rig.board, rig.journal, rig.clock, rig._publish, boot="b1",
        arm=lambda is_armed: armed.append((rig.clock.now_s(), is_armed, rig.board.is_fed)),
    )  # fmt: skip
    rig.ready()
    rig.say(Start(operation=prime(1, "apple juice", 3)))
    rig.run(6)
    assert rig.of(Ended)[-1].outcome is Outcome.DONE
    (closed_s, _), (opened_s, _) = rig.board.feed_trace
    (on_s, _, _), (off_s, _, _) = rig.board.trace
    assert SETTLES_S - 1e-6 <= on_s - closed_s <= SETTLES_S + 0.06
    assert SETTLES_S - 1e-6 <= opened_s - off_s <= FOUND_S
    assert [(is_armed, is_fed) for _, is_armed, is_fed in armed] == [(True, False), (False, False)]
    assert [at_s for at_s, _, _ in armed] == [closed_s, opened_s]


def test_between_two_runs_of_one_operation_the_feed_stays_closed(rig):
    lines = run_of(1, "apple juice", 0, 2), run_of(2, "ginger syrup", 5, 2)
    rig.say(Start(operation=prime(1, "apple juice")))
    rig.run(25)
    rig.say(Start(operation=prime(2, "ginger syrup")))
    rig.run(25)
    rig.board.feed_trace.clear()
    rig.say(Start(operation=serve(*lines)))
    rig.run(12)
    assert rig.of(Ended)[-1].outcome is Outcome.DONE
    assert [on for _, on in rig.board.feed_trace] == [True, False]


def test_a_relay_that_sticks_between_two_runs_of_one_operation_is_found_there(rig):
    rig.primed(1, 2)
    rig.say(Start(operation=serve(run_of(1, "apple juice", 0, 2), run_of(2, "ginger syrup", 5, 2))))
    rig.run(1)
    rig.board.stuck = {1}
    rig.run(3)
    assert fault(rig).cause == CURRENT_OFF
    assert "line 1 (relay channel 1)" in fault(rig).text
    assert rig.board.feed_trace[-1][0] - rig.board.trace[-1][0] <= FOUND_S
    assert not rig.board.is_fed
    assert {line for _, line, on in rig.board.trace[-2:] if on} == {1}  # line 2 never began


def test_a_guard_that_comes_late_to_the_first_start_still_looks_before_it(rig):
    rig.board.stuck = {2}
    rig.say(Start(operation=prime(1, "apple juice")))
    rig.clock.move_to(rig.clock.now_s() + 0.2)  # the computer was busy: the start is due, and nothing was read
    rig.run(1)
    assert fault(rig).cause == CURRENT_OFF
    assert rig.board.trace == []


def test_stop_opens_the_feed_at_once(rig):
    rig.say(Start(operation=prime(1, "apple juice")))
    rig.run(2)
    rig.say(Stop())
    assert rig.board.feed_trace[-1] == (rig.clock.now_s(), False)
    assert not rig.board.on


def test_the_first_levels_after_a_stop_go_without_the_feed(rig):
    """Before any further turn of the core, so that nothing can come between."""
    rig.say(Start(operation=prime(1, "apple juice")))
    rig.run(2)
    core, now_s = rig.guard.core, rig.clock.now_s()
    assert core.is_fed
    core.receive(now_s, "engine", Stop())
    assert core.state is MachineState.STOPPING
    levels, _ = core.advance(now_s)
    assert levels == frozenset()
    assert not core.is_fed


def test_nothing_is_written_while_the_feed_is_closed(rig, monkeypatch):
    """A disk may take seconds, and a relay that sticks would run that long."""
    fed = []
    append = rig.journal.append

    def noted(body: bytes) -> None:
        fed.append(rig.board.is_fed)
        append(body)

    monkeypatch.setattr(rig.journal, "append", noted)
    rig.say(Start(operation=prime(1, "apple juice", 2)))
    rig.guard.block("test", "something is missing")
    rig.guard.unblock("test")
    rig.run(5)
    rig.say(Start(operation=prime(1, "apple juice", 2, name="again")))
    rig.clock.move_to(rig.clock.now_s() + 0.05)
    rig.say(Start(operation=prime(2, "ginger syrup", 2)))  # refused, which is recorded: at the start, at the end
    rig.run(2.05)
    rig.say(Start(operation=prime(2, "ginger syrup", 2)))
    rig.run(5)
    assert rig.of(Ended)[-1].outcome is Outcome.DONE
    assert fed
    assert not any(fed)


def test_a_contact_stuck_closed_is_found_before_any_start_and_not_acknowledged_away(rig):
    rig.board.flows = lambda: True
    rig.run(0.5)
    assert fault(rig).cause == CURRENT_UNFED
    rig.say(Acknowledge(cause=CURRENT_UNFED))
    rig.run(0.5)
    assert fault(rig).cause == CURRENT_UNFED
    assert rig.guard.core.state is MachineState.ABORTED


@pytest.mark.parametrize("seed", range(20))
def test_whatever_sticks_and_whenever_nothing_draws_current_unseen(seed):
    rng, clock = Random(seed), VirtualClock(now_s=1000.0)
    board = FedBoard(clock)
    rig = Rig(FED, clock=clock, board=board).ready()
    for _ in range(60):
        match rng.randrange(6):
            case 0 | 1:
                number = rng.randint(1, 4)
                liquid = rig.book.lines[number - 1].liquid
                rig.say(Start(operation=prime(number, liquid, rng.uniform(0.05, 2), name=f"p{clock.now_s()}")))
            case 2:
                board.stuck = {rng.randint(1, 4)} if rng.random() < 0.5 else set()
            case 3:
                board.dead = {rng.randint(1, 4)} - board.stuck if rng.random() < 0.5 else set()
            case 4:
                rig.say(Stop())
            case 5:
                if fault(rig):
                    rig.say(Acknowledge(cause=fault(rig).cause))
        unseen_s = 0.0
        for _ in range(rng.choice((1, 5, 40))):
            rig.run(0.02)
            unseen_s = unseen_s + 0.02 if board.flows() and not board.on else 0.0
            assert unseen_s <= FOUND_S + 0.02, f"seed {seed}: current with every channel off for {unseen_s:.2f} s"
            assert not (board.is_fed and fault(rig)), f"seed {seed}: the feed is closed with a fault latched"
    assert {one.cause for one in rig.of(FaultLatchedEvent)} <= {CURRENT_OFF, NO_CURRENT}
