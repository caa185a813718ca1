import pytest

from controller.errors import IllegalTransition
from controller.model.states import MachineState
from controller.safety.states import SWITCHING_OFF, TRANSITIONS, Trigger, after

PAIRS = [(state, trigger) for state in MachineState for trigger in Trigger]


def reachable(start: MachineState, without: frozenset[Trigger]) -> set[MachineState]:
    found, todo = {start}, [start]
    while todo:
        for trigger, following in TRANSITIONS[todo.pop()].items():
            if trigger not in without and following not in found:
                found.add(following)
                todo.append(following)
    return found


def test_every_state_is_listed():
    assert set(TRANSITIONS) == set(MachineState)


@pytest.mark.parametrize(("state", "trigger"), PAIRS)
def test_an_event_that_is_not_listed_is_refused(state, trigger):
    if trigger in TRANSITIONS[state]:
        assert after(state, trigger) is TRANSITIONS[state][trigger]
    else:
        with pytest.raises(IllegalTransition) as refused:
            after(state, trigger)
        assert (refused.value.state, refused.value.event) == (state, trigger)


@pytest.mark.parametrize("state", MachineState)
def test_abort_and_stop_are_accepted_everywhere(state):
    assert after(state, Trigger.ABORT) in (MachineState.ABORTING, MachineState.ABORTED)
    assert after(state, Trigger.STOP) in SWITCHING_OFF | {MachineState.STOPPED, MachineState.ABORTED}


def test_aborted_is_left_by_clear_alone_and_nothing_restarts():
    left = {t for t, following in TRANSITIONS[MachineState.ABORTED].items() if following is not MachineState.ABORTED}
    assert left == {Trigger.CLEAR}
    # Without a new start no state in which pumps may run can be reached from a fault (ISO 13850: reset only permits).
    assert MachineState.EXECUTE not in reachable(MachineState.ABORTED, frozenset({Trigger.START}))


@pytest.mark.parametrize("state", MachineState)
def test_pumps_run_only_after_starting_or_unholding(state):
    if state not in (MachineState.STARTING, MachineState.UNHOLDING):
        assert MachineState.EXECUTE not in TRANSITIONS[state].values()


def test_every_state_can_be_reached_and_left():
    assert reachable(MachineState.STOPPED, frozenset()) == set(MachineState)
    for state in MachineState:
        assert reachable(state, frozenset()) == set(MachineState)
