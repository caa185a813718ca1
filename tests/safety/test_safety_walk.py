"""The core under any order of messages, contacts, failures and crashes: what must hold after every step."""

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from msgspec.structs import replace

from controller.model.messages import (
    Acknowledge,
    Assign,
    Confirm,
    ConfirmJug,
    Ended,
    Heartbeat,
    Hello,
    Refusal,
    Start,
    Stop,
    Unhold,
)
from controller.model.plan import Operation, PlannedRun, Segment
from controller.model.states import Contents, MachineState, OperationKind
from controller.safety.contents import DRAWS_LIQUID
from controller.safety.memory import replay
from controller.safety.records import LineState, Memory, Stamped
from controller.safety.supervisor import BOARD, Supervisor
from tests.guard.guard_parts import BOOK, GLASS, profile

MACHINE = profile(glass=GLASS)
CAPS = MACHINE.caps
LIQUIDS = {on.line: on.liquid for on in BOOK.lines}
WORST_ML_S = 2.5  # 2 mL/s, a quarter more because nothing is calibrated
POLL_S = 0.1
TINY = 1e-6

lines = st.sampled_from([1, 2, 3, 4])
runs = st.lists(
    st.builds(
        lambda line, start, duration, foreign: PlannedRun(
            line=line,
            liquid="cold tea" if foreign else LIQUIDS[line],
            start_s=start,
            duration_s=duration,
            volume_ml=2 * duration,
        ),
        lines,
        st.sampled_from([0.0, 0.05, 0.1, 0.3, 1.0, 5.0]),
        st.sampled_from([0.2, 1.0, 3.0, 8.0, 40.0, 95.0]),
        st.sampled_from([False] * 9 + [True]),
    ),
    min_size=1,
    max_size=5,
)
segments = st.lists(
    st.builds(lambda some, hand: Segment(runs=tuple(some), hand=hand), runs, st.sampled_from([None, None, "stir"])),
    min_size=1,
    max_size=2,
)
kinds = st.sampled_from([OperationKind.SERVE] * 5 + [*OperationKind])


class Walk(RuleBasedStateMachine):
    def __init__(self) -> None:
        super().__init__()
        self.now_s = 100.0
        self.records: list[Stamped] = []
        self.written = 0  # records that are on disk
        self.stop_closed, self.glass_closed, self.readable = True, True, True
        self.levels: frozenset[int] = frozenset()
        self.since: dict[int, float] = {}
        self.on_s: dict[int, float] = {}  # of the operation under way
        self.until: dict[int, list[tuple[float, float]]] = {}  # what was allowed: line -> from, to
        self.operation: Operation | None = None
        self.is_allowed = False  # its record is on disk
        self.count = 0
        self.may_be_on = False  # a start or a resumption has been granted since the last stop, fault or silence

    @initialize()
    def wake(self) -> None:
        filled = tuple(
            LineState(line=line, assigned=liquid, contents=Contents.LIQUID, holds=liquid, residues=(liquid,))
            for line, liquid in LIQUIDS.items()
        )
        self.core = Supervisor(MACHINE, BOOK, Memory(boot="b", lines=filled), now_s=self.now_s, wall_s=1e9, boot="b")
        self.take()
        self.start_memory = Memory(boot="b", lines=filled)
        self.pass_time(0.3)
        self.say(Hello(version=1, role="engine"))

    # --- the loop around the core

    def take(self) -> None:
        self.records += self.core.take_records()

    def advance(self) -> None:
        contacts = {"stop": self.stop_closed, "glass": self.glass_closed} if self.readable else {}
        for _ in range(8):
            levels, events = self.core.advance(self.now_s, contacts)
            self.note(levels)
            self.hear(events)
            if self.core.next_deadline_s() > self.now_s:
                return
        raise AssertionError("the core does not settle")

    def note(self, levels: frozenset[int]) -> None:
        for line in self.levels - levels:
            self.on_s[line] = self.on_s.get(line, 0.0) + self.now_s - self.since.pop(line)
        for line in levels - self.levels:
            self.since[line] = self.now_s
        self.levels = levels

    def hear(self, events) -> None:
        self.take()
        for event in events:
            if isinstance(event, Ended):
                self.operation, self.is_allowed, self.on_s, self.until = None, False, {}, {}

    def pass_time(self, seconds: float, *, beat: bool = True) -> None:
        end_s = self.now_s + seconds
        while True:
            if beat:
                self.hear(self.core.receive(self.now_s, "engine", Heartbeat()))
            self.advance()
            if self.now_s >= end_s:
                return
            self.now_s = min(end_s, self.now_s + POLL_S, max(self.core.next_deadline_s(), self.now_s + TINY))

    def say(self, command, client: str = "engine"):
        events = self.core.receive(self.now_s, client, command)
        self.hear(events)
        return events

    # --- what may happen

    @rule(seconds=st.sampled_from([0.01, 0.1, 0.7, 3.0, 10.0, 61.0]))
    def time_passes(self, seconds: float) -> None:
        self.pass_time(seconds)

    @rule(seconds=st.sampled_from([0.3, 0.6, 2.0]))
    def the_engine_is_silent(self, seconds: float) -> None:
        self.pass_time(seconds, beat=False)
        if seconds > 0.5:
            assert not self.levels

    @rule(kind=kinds, some=segments, jug=st.booleans(), fails=st.sampled_from([False] * 5 + [True]))
    def start(self, kind: OperationKind, some: list[Segment], jug: bool, fails: bool) -> None:
        self.count += 1
        asked = Operation(
            operation=f"op{self.count}", kind=kind, segments=tuple(some), glass="tumbler", jug=jug, empty_glass=True
        )
        if jug and self.count % 4:
            self.say(ConfirmJug(volume_ml=500.0))
        before = self.core.state
        events = self.say(Start(operation=asked))
        refused = [event for event in events if isinstance(event, Refusal)]
        assert bool(refused) == (self.core.proposal is None)
        if refused:
            assert before is self.core.state
            return
        assert before is MachineState.IDLE
        self.operation, self.on_s, self.until = asked, {}, {}
        self.settle_proposal(fails)

    def settle_proposal(self, fails: bool) -> None:
        assert not self.core.advance(self.now_s)[0], "on before it was on disk"
        if fails:
            self.records.pop()
            if not self.is_allowed:
                self.operation = None
            self.hear(self.core.record_failed(self.now_s, "disk full"))
            self.advance()
            assert not self.levels
            return
        proposal = self.core.proposal
        if proposal is not None:
            self.is_allowed = True
            self.hear(self.core.recorded(self.now_s, proposal))
            self.advance()

    @rule()
    def confirm(self) -> None:
        self.say(Confirm(operation=self.operation.operation if self.operation else "nothing"))
        if self.core.proposal is not None:
            self.settle_proposal(False)

    @rule(some=runs, fails=st.sampled_from([False] * 5 + [True]))
    def unhold(self, some: list[PlannedRun], fails: bool) -> None:
        self.say(Unhold(operation=self.operation.operation if self.operation else "nothing", runs=tuple(some)))
        if self.core.proposal is not None:
            self.settle_proposal(fails)

    @rule(client=st.sampled_from(["engine", "anyone"]))
    def stop(self, client: str) -> None:
        self.say(Stop(), client)
        self.advance()
        assert not self.levels
        assert self.core.state in (MachineState.IDLE, MachineState.STOPPED, MachineState.ABORTED)

    @rule()
    def the_engine_is_lost_and_comes_back(self) -> None:
        self.hear(self.core.client_gone(self.now_s, "engine"))
        self.advance()
        assert not self.levels
        self.say(Hello(version=1, role="engine"))

    @rule(closed=st.booleans())
    def the_stop_contact(self, closed: bool) -> None:
        self.stop_closed = closed
        self.pass_time(0.05)
        if not closed:
            assert not self.levels
            assert self.core.memory.fault is not None

    @rule(closed=st.booleans())
    def the_glass(self, closed: bool) -> None:
        self.glass_closed = closed
        self.pass_time(0.05)
        if not closed and self.operation is not None and self.operation.kind is OperationKind.SERVE:
            assert not self.levels

    @rule()
    def an_unreadable_moment(self) -> None:
        self.readable = False
        self.advance()
        self.readable = True
        assert not self.levels

    @rule()
    def the_board_fails(self) -> None:
        self.hear(self.core.trouble(self.now_s, BOARD, "line 1 does not obey"))
        self.advance()
        assert not self.levels
        self.core.sound(BOARD)

    @rule()
    def acknowledge(self) -> None:
        fault = self.core.memory.fault
        present = not self.stop_closed
        self.say(Acknowledge(cause=fault.cause if fault else "nothing"))
        self.advance()
        assert fault is None or not self.levels
        if fault is not None and fault.cause == "stop pressed" and present:
            assert self.core.memory.fault == fault

    @rule(line=lines, liquid=st.sampled_from(sorted(LIQUIDS.values())))
    def assign(self, line: int, liquid: str) -> None:
        before = self.core.memory.lines
        self.say(Assign(line=line, liquid=liquid))
        if self.operation is not None:
            assert self.core.memory.lines == before

    @precondition(lambda self: self.operation is not None or self.count % 5 == 0)
    @rule()
    def the_guard_crashes(self) -> None:
        moving, before = self.core.memory.unfinished, {state.line: state for state in self.core.memory.lines}
        self.core = Supervisor(
            MACHINE, BOOK, replay(self.records, self.start_memory), now_s=self.now_s, wall_s=1e9, boot="b"
        )
        self.note(frozenset())
        self.operation, self.is_allowed, self.on_s, self.until = None, False, {}, {}
        self.take()
        if moving is not None:
            for segment in moving.operation.segments:
                for run in segment.runs:
                    was, kind = before[run.line], moving.operation.kind
                    keeps = was.contents is Contents.LIQUID and was.holds == was.assigned and kind in DRAWS_LIQUID
                    assert self.core.memory.line(run.line).contents is (was.contents if keeps else Contents.UNKNOWN)
        self.pass_time(0.3)
        self.say(Hello(version=1, role="engine"))

    # --- what must hold

    @invariant()
    def channels_are_on_only_in_execute_and_only_when_written_down(self) -> None:
        if self.levels:
            assert self.core.state is MachineState.EXECUTE
            assert self.is_allowed
            assert self.core.memory.fault is None
            assert self.stop_closed

    @invariant()
    def no_cap_is_exceeded_by_what_has_really_been_on(self) -> None:
        on_s = {line: self.on_s.get(line, 0.0) for line in LIQUIDS}
        for line in self.levels:
            run_s = self.now_s - self.since[line]
            on_s[line] += run_s
            assert run_s <= CAPS.run_on_s + TINY
        assert max(on_s.values()) <= CAPS.operation_on_s + TINY
        assert len(self.levels) <= CAPS.concurrent
        assert len(self.levels) * WORST_ML_S <= CAPS.flow_ml_s + TINY
        assert 0.5 * len(self.levels) <= CAPS.current_a + TINY
        if self.operation is None:
            return
        total_ml = WORST_ML_S * sum(on_s.values())
        if self.operation.kind is OperationKind.SERVE:
            assert total_ml <= min(CAPS.serving_volume_ml, 250 * 1.005) + TINY
            assert WORST_ML_S * on_s[4] * 0.26 * 0.78924 <= CAPS.serving_ethanol_g + TINY
        elif self.operation.kind is OperationKind.JOG:
            assert sum(on_s.values()) <= CAPS.jog_s + TINY
        else:
            assert WORST_ML_S * max(on_s.values()) <= CAPS.line_volume_ml + TINY

    @invariant()
    def a_fault_keeps_the_machine_aborted(self) -> None:
        if self.core.memory.fault is not None:
            assert self.core.state in (MachineState.ABORTING, MachineState.ABORTED)
            assert not self.levels

    @invariant()
    def memory_is_what_the_records_say(self) -> None:
        assert replay(self.records, self.start_memory) == self.core.memory

    @invariant()
    def the_hour_and_the_pause_are_kept(self) -> None:
        memory = self.core.memory
        recent = [one for one in memory.servings if memory.credited_s - one.at_s < 3600]
        assert sum(one.ethanol_g for one in recent) <= CAPS.hour_ethanol_g * (1 + TINY) + 20
        assert len(recent) <= CAPS.hour_servings


Walk.TestCase.settings = settings(
    max_examples=60, stateful_step_count=25, deadline=None, suppress_health_check=list(HealthCheck)
)
TestWalk = Walk.TestCase


def test_the_walk_can_reach_what_it_is_about():
    """One path by hand, so that the walk above is known not to be refused everywhere."""
    walk = Walk()
    walk.wake()
    one = PlannedRun(line=1, liquid="apple juice", start_s=0.0, duration_s=3.0, volume_ml=6.0)
    walk.start(
        OperationKind.SERVE,
        [Segment(runs=(one,)), Segment(runs=(replace(one, duration_s=1.0),), hand="stir")],
        False,
        False,
    )
    assert walk.levels == {1}
    walk.the_glass(False)
    assert walk.core.state is MachineState.HELD
    walk.the_glass(True)
    walk.unhold([replace(one, duration_s=2.0)], False)
    walk.time_passes(3.0)
    walk.confirm()
    assert walk.levels == {1}
    walk.time_passes(3.0)
    assert (walk.operation, walk.core.state) == (None, MachineState.IDLE)
    walk.memory_is_what_the_records_say()
    walk.the_guard_crashes()
