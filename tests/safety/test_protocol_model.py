"""Every interleaving of the engine-guard protocol: nothing unsafe can be reached, and no end stays unbooked.

The model is bound to the code twice: its guard's steps are those of the table of machine states, and random walks
through it are walked by the real guard and the real engine as well, which must come out in the same place.
"""

from collections import deque
from typing import Any

import pytest

from controller.errors import FaultLatched
from controller.model.states import MachineState as S
from controller.safety.states import TRANSITIONS, Trigger
from tests.safety import protocol_model
from tests.safety.protocol_model import calm, is_busy, moves, status
from tests.safety.protocol_pair import STEPS_PER_WALK, Pair, walk
from tests.safety.protocol_world import OPERATIONS, QUIET, STEPS, World

WALKS = 80


def explore(*, doubting: bool) -> dict[World, tuple[World, str] | None]:
    """Every world that can be reached, with the step that led there first; doubting: the engine repeats itself."""
    found: dict[World, tuple[World, str] | None] = {World(): None}
    todo = deque(found)
    while todo:
        world = todo.popleft()
        for name, after in moves(world):
            if after not in found and (doubting or not name.endswith("again")):
                found[after] = (world, name)
                todo.append(after)
    return found


def way_to(world: World, found: dict[World, Any]) -> list[str]:
    names = []
    while (step := found[world]) is not None:
        world, name = step
        names.append(name)
    return names[::-1]


@pytest.fixture(scope="module")
def honest():
    return explore(doubting=False)


@pytest.fixture(scope="module")
def doubting():
    return explore(doubting=True)


# --- safe


def unsafe(world: World) -> str:
    guard = world.guard
    if world.is_started_twice:
        return "an operation was started twice"
    if guard is None or not world.pins:
        return ""  # a dead guard's pins are the sentinel's: no calm step leads past "driven off"
    if guard.state is not S.EXECUTE or not guard.is_on:
        return "on outside of execute"
    if not guard.operation or world.open != guard.operation:
        return "on without an operation on disk"
    if world.has_fault:
        return "on with a fault"
    return "" if guard.has_engine else "on without an engine"


def test_nothing_unsafe_can_be_reached_even_with_an_engine_in_doubt(doubting):
    assert len(doubting) > 20_000
    for world in doubting:
        assert not unsafe(world), (unsafe(world), way_to(world, doubting))


def test_time_never_passes_a_silent_engine_while_a_channel_is_on(doubting):
    for world in doubting:
        if world.guard is not None and world.guard.operation and world.guard.quiet == QUIET:
            names = [name for name, _ in moves(world)]
            assert "tick" not in names


def test_after_the_guards_death_the_pins_are_driven_off_before_a_new_one_begins(doubting):
    for world in doubting:
        if world.guard is None and world.pins:
            assert "guard starts" not in [name for name, _ in moves(world)]


def test_a_new_guard_starts_nothing(doubting):
    for world in doubting:
        if world.guard is None:
            for name, after in calm(world):
                assert name != "guard starts" or (after.guard is not None and not after.pins and not after.open)


# --- booked


def test_whatever_has_happened_the_books_are_right_once_it_is_calm(honest):
    ends = 0
    for world in honest:
        if any(True for _ in calm(world)):
            continue
        ends += 1
        told = way_to(world, honest)
        assert world.guard is not None and world.guard.state in (S.IDLE, S.ABORTED), told
        assert world.engine is not None and world.engine.is_connected and not world.engine.current, told
        for operation in OPERATIONS:
            expected = {"ended"} if operation in world.admitted else {"", "refused"}
            assert status(world, operation) in expected, (operation, world, told)
    assert ends > 50


def test_every_calm_sequence_ends(honest):
    """No calm step leads back to where it came from: an order of all worlds exists."""
    left = dict.fromkeys(honest, 0)
    for world in honest:
        for _, after in calm(world):
            left[after] += 1
    free = [world for world, count in left.items() if count == 0]
    done = 0
    while free:
        done += 1
        for _, after in calm(free.pop()):
            left[after] -= 1
            if left[after] == 0:
                free.append(after)
    assert done == len(honest)


def too_early(world: World, operation: str) -> bool:
    """An engine that begins before it has heard how the last operation ended."""
    engine = world.engine
    return engine is not None and engine.reports > 0 and not engine.current and not status(world, operation)


def for_ever(world: World, _operation: str) -> World:
    """An engine that waits for an end for ever."""
    assert world.engine is not None
    return world._replace(engine=world.engine._replace(reports=1))


@pytest.mark.parametrize(("what", "instead"), [("may_pour", too_early), ("_reported", for_ever)])
def test_the_search_finds_what_it_looks_for(monkeypatch, what, instead):
    monkeypatch.setattr(protocol_model, what, instead)
    with pytest.raises(AssertionError):
        test_whatever_has_happened_the_books_are_right_once_it_is_calm(explore(doubting=False))


# --- bound to the code


def test_the_models_guard_follows_the_table_of_machine_states():
    for (state, trigger), after in STEPS.items():
        assert TRANSITIONS[state][trigger] is after, (state, trigger)
    left_out = {(s, t) for s, row in TRANSITIONS.items() for t in row} - STEPS.keys()
    # What the model leaves out: stops and faults in states that are passed at once, and a second one on top.
    assert {trigger for _, trigger in left_out} == {Trigger.STOP, Trigger.ABORT, Trigger.HOLD}
    assert {state for state, trigger in left_out if trigger is Trigger.HOLD} == {S.UNHOLDING}


def test_every_step_of_the_models_guard_is_taken(monkeypatch):
    class Seen(dict[Any, Any]):
        taken: set[Any] = set()  # noqa: RUF012 - one test's own

        def __getitem__(self, key):
            self.taken.add(key)
            return super().__getitem__(key)

    monkeypatch.setattr(protocol_model, "STEPS", Seen(STEPS))
    explore(doubting=True)
    assert Seen.taken == STEPS.keys()


def test_guard_and_engine_go_where_the_model_goes():
    ways = 0
    for seed in range(WALKS):
        pair = Pair()
        told: list[str] = []
        try:
            for names, world in walk(seed):
                told += names
                pair.do(names)
                ways += 1
                if not is_busy(world):
                    assert pair.seen() == Pair.expected(world), (seed, told)
        except FaultLatched:
            pass  # the engine knows of a fault and does not even ask: more careful than the model's
        finally:
            pair.close()
    assert ways > WALKS * STEPS_PER_WALK // 3
