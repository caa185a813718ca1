"""Machine states as a literal table (ISA-TR88.00.02, only the states that Tundish needs).

This table is the only place that says what may follow what. A trigger that a state does not list is refused and
changes nothing. Two rules can be read off it: ABORT is accepted everywhere and leads to ABORTED, and ABORTED is left
by CLEAR alone, which leads to STOPPED: clearing a fault never restarts anything (ISO 13850).
"""

from enum import StrEnum

from controller.errors import IllegalTransition
from controller.model.states import MachineState as S


class Trigger(StrEnum):
    """What moves the machine from state to state."""

    RESET = "reset"
    START = "start"
    HOLD = "hold"
    UNHOLD = "unhold"
    STOP = "stop"
    ABORT = "abort"
    CLEAR = "clear"
    DONE = "done"  # the present state has finished its work


T = Trigger

TRANSITIONS: dict[S, dict[T, S]] = {
    S.STOPPED: {T.RESET: S.RESETTING, T.STOP: S.STOPPED, T.ABORT: S.ABORTING},
    S.RESETTING: {T.DONE: S.IDLE, T.STOP: S.STOPPING, T.ABORT: S.ABORTING},
    S.IDLE: {T.START: S.STARTING, T.STOP: S.STOPPING, T.ABORT: S.ABORTING},
    S.STARTING: {T.DONE: S.EXECUTE, T.STOP: S.STOPPING, T.ABORT: S.ABORTING},
    S.EXECUTE: {T.DONE: S.COMPLETING, T.HOLD: S.HOLDING, T.STOP: S.STOPPING, T.ABORT: S.ABORTING},
    S.HOLDING: {T.DONE: S.HELD, T.STOP: S.STOPPING, T.ABORT: S.ABORTING},
    S.HELD: {T.UNHOLD: S.UNHOLDING, T.STOP: S.STOPPING, T.ABORT: S.ABORTING},
    S.UNHOLDING: {T.DONE: S.EXECUTE, T.HOLD: S.HOLDING, T.STOP: S.STOPPING, T.ABORT: S.ABORTING},
    S.COMPLETING: {T.DONE: S.COMPLETE, T.STOP: S.STOPPING, T.ABORT: S.ABORTING},
    S.COMPLETE: {T.RESET: S.RESETTING, T.STOP: S.STOPPING, T.ABORT: S.ABORTING},
    S.STOPPING: {T.DONE: S.STOPPED, T.STOP: S.STOPPING, T.ABORT: S.ABORTING},
    S.ABORTING: {T.DONE: S.ABORTED, T.STOP: S.ABORTING, T.ABORT: S.ABORTING},
    S.ABORTED: {T.CLEAR: S.CLEARING, T.STOP: S.ABORTED, T.ABORT: S.ABORTED},
    S.CLEARING: {T.DONE: S.STOPPED, T.STOP: S.CLEARING, T.ABORT: S.ABORTING},
}

# States in which every channel is being switched off; each is left only after the loop has carried that out.
SWITCHING_OFF = frozenset({S.HOLDING, S.COMPLETING, S.STOPPING, S.ABORTING, S.CLEARING})


def after(state: S, trigger: T) -> S:
    """The state that follows; IllegalTransition when the table does not list the trigger."""
    following = TRANSITIONS[state].get(trigger)
    if following is None:
        raise IllegalTransition(state, trigger)
    return following
