"""The world of the protocol's model: what either process holds, what is on either disk, what is on the wire."""

from typing import NamedTuple

from controller.model.states import MachineState as S
from controller.safety.states import Trigger

T = Trigger
OPERATIONS = ("a", "b")
QUIET = 1  # ticks without a word after which the guard must switch off before anything else
MOST_UNDER_WAY = 2  # messages to the guard; what is asked beyond that waits
MOST_UNREAD = 2  # messages to the engine; beyond that it reads before anything else is done
# Left at once, without anything that shows outside: being killed there is being killed before or after.
ENDING = (S.COMPLETING, S.STOPPING, S.ABORTING)
PASSING = {S.COMPLETE: T.RESET, S.STOPPED: T.RESET, S.RESETTING: T.DONE, S.HOLDING: T.DONE, S.CLEARING: T.DONE}

# What the guard does in the model: (state, trigger) -> state.
STEPS: dict[tuple[S, T], S] = {
    (S.STOPPED, T.RESET): S.RESETTING,
    (S.RESETTING, T.DONE): S.IDLE,
    (S.IDLE, T.START): S.STARTING,
    (S.STARTING, T.DONE): S.EXECUTE,
    (S.STARTING, T.STOP): S.STOPPING,
    (S.EXECUTE, T.DONE): S.COMPLETING,
    (S.EXECUTE, T.HOLD): S.HOLDING,
    (S.EXECUTE, T.STOP): S.STOPPING,
    (S.EXECUTE, T.ABORT): S.ABORTING,
    (S.HOLDING, T.DONE): S.HELD,
    (S.HELD, T.UNHOLD): S.UNHOLDING,
    (S.HELD, T.STOP): S.STOPPING,
    (S.HELD, T.ABORT): S.ABORTING,
    (S.UNHOLDING, T.DONE): S.EXECUTE,
    (S.UNHOLDING, T.STOP): S.STOPPING,
    (S.COMPLETING, T.DONE): S.COMPLETE,
    (S.COMPLETE, T.RESET): S.RESETTING,
    (S.STOPPING, T.DONE): S.STOPPED,
    (S.IDLE, T.ABORT): S.ABORTING,
    (S.IDLE, T.STOP): S.STOPPING,
    (S.ABORTING, T.DONE): S.ABORTED,
    (S.ABORTED, T.CLEAR): S.CLEARING,
    (S.CLEARING, T.DONE): S.STOPPED,
}

Message = tuple[str, str]  # kind, operation or ""
END: Message = ("end of connection", "")


class Guard(NamedTuple):
    """What dies with the guard's process."""

    state: S = S.IDLE
    operation: str = ""
    is_on: bool = False  # what it commands; the pins follow in a step of their own
    has_engine: bool = False
    quiet: int = 0  # ticks since the engine's last word
    unwritten: str = ""  # an end that could not be written


class Engine(NamedTuple):
    """What dies with the engine's process."""

    is_connected: bool = False
    reports: int = 0  # of this connection: none, one, or more
    unsettled: frozenset[str] = frozenset()
    current: str = ""  # asked for, and neither ended nor refused
    is_admitted: bool = False  # as far as it has heard


class World(NamedTuple):
    """Everything. `guard` and `engine` are None while the process is dead."""

    guard: Guard | None = Guard()
    engine: Engine | None = Engine()
    to_guard: tuple[Message, ...] = ()
    to_engine: tuple[Message, ...] = ()
    is_broken: bool = False  # what is sent on the connection goes nowhere
    pins: bool = False  # a channel is driven on
    # on the guard's disk
    open: str = ""  # admitted, without an end
    admitted: frozenset[str] = frozenset()
    last_ended: str = ""
    has_fault: bool = False
    # on the engine's disk: operation -> open, ended, refused (never begun, as far as it knows)
    ledger: tuple[str, str] = ("", "")
    is_started_twice: bool = False  # seen from outside


# --- the wire


def send(world: World, kind: str, operation: str) -> World:
    """The engine sends something."""
    if world.is_broken:
        return world
    return world._replace(to_guard=(*world.to_guard, (kind, operation)))


def say(world: World, *messages: Message) -> World:
    """The guard tells its engine, if it has one."""
    if world.guard is None or not world.guard.has_engine or world.is_broken:
        return world
    return world._replace(to_engine=(*world.to_engine, *messages))


def broken(world: World, kept: int, heard: int) -> World:
    """What is under way still arrives, or nothing of it; then either side sees the end."""
    return world._replace(
        to_guard=(*world.to_guard[:kept], END), to_engine=(*world.to_engine[:heard], END), is_broken=True
    )


def without_guard(world: World) -> World:
    """What it sent still arrives."""
    engine = world.engine
    sees_end = engine is not None and engine.is_connected and not world.is_broken
    to_engine = (*world.to_engine, END) if sees_end else world.to_engine
    return world._replace(guard=None, to_guard=(), to_engine=to_engine, is_broken=True)


def without_engine(world: World) -> World:
    """What it sent still arrives."""
    engine = world.engine
    assert engine is not None
    sees_end = world.guard is not None and engine.is_connected and not world.is_broken
    to_guard = (*world.to_guard, END) if sees_end else world.to_guard
    return world._replace(engine=None, to_guard=to_guard, to_engine=(), is_broken=True)
