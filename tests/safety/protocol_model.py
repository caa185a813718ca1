"""Engine, guard and the wire between them, small enough to look at every interleaving.

Two operations, a and b, asked for once each and repeated by an engine in doubt. The wire is a stream: messages are
lost only with their connection, and then from some point on. Either process may be killed between any two of its
steps. Time is a tick that may pass while the engine says nothing; it is silence.

The guard's machine states and triggers are those of `controller.safety.states`; `STEPS` names every pair that the
model uses, and the tests hold them against the table there.
"""

from collections.abc import Iterator
from typing import Any

from controller.model.states import MachineState as S
from tests.safety.protocol_world import (
    END,
    ENDING,
    MOST_UNDER_WAY,
    MOST_UNREAD,
    OPERATIONS,
    PASSING,
    QUIET,
    STEPS,
    Engine,
    Guard,
    Message,
    T,
    World,
    broken,
    say,
    send,
    without_engine,
    without_guard,
)

Step = tuple[str, World]


def moves(world: World) -> Iterator[Step]:
    """Everything that may happen next."""
    yield from calm(world)
    if len(world.to_engine) <= MOST_UNREAD:
        yield from people(world)
        yield from accidents(world)


def calm(world: World) -> Iterator[Step]:
    """What happens by itself when nothing goes wrong and nobody asks for anything."""
    if len(world.to_engine) > MOST_UNREAD:
        yield from _reading(world)
        return
    yield from guard_steps(world)
    if world.guard is None:
        yield "driven off" if world.pins else "guard starts", _after_the_guard(world)
    if world.engine is None:
        yield "engine starts", world._replace(engine=Engine())
    yield from _deliveries(world)
    is_wire_free = not world.to_guard and not world.to_engine
    if is_wire_free and world.engine and world.guard and not world.engine.is_connected and not world.guard.has_engine:
        engine = world.engine._replace(is_connected=True, reports=0, unsettled=frozenset())
        yield "connect", world._replace(engine=engine, to_guard=(("hello", ""),), is_broken=False)


def people(world: World) -> Iterator[Step]:
    """What people and the engine's own wishes bring about, and time."""
    engine, guard = world.engine, world.guard
    if engine and engine.is_connected and len(world.to_guard) < MOST_UNDER_WAY:
        for operation in OPERATIONS:
            if may_pour(world, operation):
                asked = world._replace(engine=engine._replace(current=operation, is_admitted=False))
                yield f"pour {operation}", send(book(asked, operation, "open"), "start", operation)
        if not world.to_guard and not world.to_engine:
            yield from _asides(world, engine)
    if guard is None or may_tick(guard):
        yield (
            "tick",
            world if guard is None else world._replace(guard=guard._replace(quiet=min(QUIET, guard.quiet + 1))),
        )


def _asides(world: World, engine: Engine) -> Iterator[Step]:
    """What is sent besides, on a wire that is idle."""
    if status(world, "a"):
        yield "start a again", send(world, "start", "a")
    if engine.current:
        yield "go on", send(world, "unhold", engine.current)
        yield "beat", send(world, "beat", "")
    yield "ask to stop", send(world, "stop", "")
    if world.guard is not None and world.guard.state is S.ABORTED:
        yield "acknowledge", send(world, "acknowledge", "")


def accidents(world: World) -> Iterator[Step]:
    """Kills, broken connections, full disks, lifted glasses, faults."""
    guard, engine = world.guard, world.engine
    if guard is not None:
        yield "guard killed", without_guard(world)
        if guard.state is S.EXECUTE and guard.is_on == world.pins:
            yield "glass lifted", at(world, T.HOLD, is_on=False)
        if guard.state in (S.EXECUTE, S.HELD, S.IDLE) and guard.is_on == world.pins:
            yield "fault", at(world, T.ABORT, is_on=False)
        if guard.state is S.STARTING:
            yield "disk full at the start", _refused_by_disk(world)
            yield "guard killed with the start untold", without_guard(_started_on_disk(world))
        if guard.state is S.UNHOLDING:
            yield "disk full going on", at(world, T.STOP)
        if guard.state in ENDING and world.open:
            yield "guard killed with the end untold", without_guard(_ended_on_disk(world))
            if guard.state is not S.ABORTING:
                yield "disk full at the end", _end_unwritten(world)
    if engine is not None:
        yield "engine killed", without_engine(world)
        if engine.is_connected and not world.is_broken:
            for kept in {0, len(world.to_guard)}:
                for heard in {0, len(world.to_engine)}:
                    yield f"connection broken {kept} {heard}", broken(world, kept, heard)


# --- the guard


def guard_steps(world: World) -> Iterator[Step]:
    """The guard's own steps; while it is in the middle of something, the next one."""
    guard = world.guard
    if guard is None:
        return
    if guard.is_on != world.pins:
        yield "switch", _switched(world)
    elif guard.state is S.STARTING:
        started = at(_started_on_disk(world), T.DONE, is_on=True)
        yield "write the start", say(started, ("admitted", guard.operation))
    elif guard.state is S.UNHOLDING:
        yield "write going on", at(world, T.DONE, is_on=True)
    elif guard.state in ENDING:
        yield "write the end", _end(world)
    elif guard.operation and guard.quiet == QUIET:
        yield "silence", at(world, T.STOP, is_on=False)
    elif guard.state is S.EXECUTE:
        yield "all poured", at(world, T.DONE, is_on=False)
    elif guard.state is S.HELD:
        yield "held for too long", at(world, T.STOP)


def is_busy(world: World) -> bool:
    """Whether the guard is between two steps that no message can come between."""
    guard = world.guard
    return guard is not None and (
        guard.is_on != world.pins
        or guard.state not in (S.IDLE, S.EXECUTE, S.HELD, S.ABORTED)
        or (guard.quiet == QUIET and bool(guard.operation))
    )


def may_tick(guard: Guard) -> bool:
    """Time does not pass the guard's deadline before it has done what was due."""
    return not (guard.operation and guard.quiet == QUIET)


def at(world: World, trigger: T, **changes: Any) -> World:
    """The world after the guard has followed this trigger, and left what it passes through.

    KeyError when the model does not know the step. Switching off needs no step of its own: a guard that is killed
    before it has switched off was killed before it had decided to.
    """
    guard = world.guard
    assert guard is not None
    guard = guard._replace(state=STEPS[guard.state, trigger], **changes)
    while guard.state in PASSING:
        guard = guard._replace(state=STEPS[guard.state, PASSING[guard.state]])
    return world._replace(guard=guard, pins=world.pins and guard.is_on)


def _switched(world: World) -> World:
    guard = world.guard
    assert guard is not None
    return world._replace(pins=guard.is_on)


def _started_on_disk(world: World) -> World:
    guard = world.guard
    assert guard is not None
    return world._replace(
        open=guard.operation,
        admitted=world.admitted | {guard.operation},
        is_started_twice=world.is_started_twice or guard.operation in world.admitted,
    )


def _ended_on_disk(world: World) -> World:
    """The end, and the fault if it is one."""
    guard = world.guard
    assert guard is not None
    has_fault = world.has_fault or guard.state is S.ABORTING
    return world._replace(open="", last_ended=world.open or world.last_ended, has_fault=has_fault)


def _end(world: World) -> World:
    """The end is written, told, and the state left."""
    after = at(_ended_on_disk(world), T.DONE, operation="")
    return say(after, ("ended", world.open)) if world.open else after


def _end_unwritten(world: World) -> World:
    """The end is told, but not on disk: a fault, and it is written when the disk is mended."""
    guard = world.guard
    assert guard is not None
    after = world._replace(guard=guard._replace(state=S.ABORTED, operation="", unwritten=world.open))
    return say(after, ("ended", world.open))


def _refused_by_disk(world: World) -> World:
    guard = world.guard
    assert guard is not None
    return say(at(world, T.STOP, operation=""), ("refused", guard.operation))


def _after_the_guard(world: World) -> World:
    """The guard is dead: the sentinel drives off; then a new one ends what was open and reads its fault."""
    if world.pins:
        return world._replace(pins=False)
    guard = Guard(state=S.ABORTED if world.has_fault else S.IDLE)
    last = world.open or world.last_ended
    return world._replace(guard=guard, open="", last_ended=last)


# --- messages


def _deliveries(world: World) -> Iterator[Step]:
    if world.guard is not None and world.to_guard and not is_busy(world):
        message, rest = world.to_guard[0], world.to_guard[1:]
        yield f"guard hears {message[0]} {message[1]}", _hear(world._replace(to_guard=rest), message)
    yield from _reading(world)


def _reading(world: World) -> Iterator[Step]:
    if world.engine is not None and world.to_engine:
        message, rest = world.to_engine[0], world.to_engine[1:]
        yield f"engine hears {message[0]} {message[1]}", _listen(world._replace(to_engine=rest), message)


def _hear(world: World, message: Message) -> World:
    """The guard takes one message in."""
    guard = world.guard
    assert guard is not None
    kind, operation = message
    if message == END:
        gone = world._replace(guard=guard._replace(has_engine=False))
        return at(gone, T.STOP, is_on=False) if guard.operation else gone
    guard = guard._replace(quiet=0)
    world = world._replace(guard=guard)
    match kind:
        case "hello":
            accepted = world._replace(guard=guard._replace(has_engine=True))
            last = guard.unwritten or world.last_ended
            return say(accepted, ("report", guard.operation), *((("ended", last),) if last else ()))
        case "ask":
            return say(world, ("report", guard.operation))
        case "start" if guard.state is S.IDLE and operation not in world.admitted:
            return at(world, T.START, operation=operation)
        case "start":
            return say(world, ("refused", operation))
        case "unhold" if guard.state is S.HELD and guard.operation == operation:
            return at(world, T.UNHOLD)
        case "stop" if guard.state in (S.EXECUTE, S.HELD, S.IDLE):
            return at(world, T.STOP, is_on=False)
        case "acknowledge" if guard.state is S.ABORTED:
            return _acknowledged(world)
    return world


def _acknowledged(world: World) -> World:
    """What could not be written is written first."""
    guard = world.guard
    assert guard is not None
    if guard.unwritten:
        world = world._replace(open="", last_ended=guard.unwritten, guard=guard._replace(unwritten=""))
    return at(world._replace(has_fault=False), T.CLEAR)


# --- the engine


def may_pour(world: World, operation: str) -> bool:
    """Whether the engine lets a person ask for it."""
    engine = world.engine
    is_free = engine is not None and engine.reports > 0 and not engine.unsettled and not engine.current
    return is_free and not status(world, operation)


def status(world: World, operation: str) -> str:
    """What the ledger says of it."""
    return world.ledger[OPERATIONS.index(operation)]


def book(world: World, operation: str, what: str) -> World:
    """The ledger says this of it from now on; what is over there stays as it is."""
    if status(world, operation) not in ("", "open"):
        return world
    place = OPERATIONS.index(operation)
    ledger = [*world.ledger]
    ledger[place] = what
    return world._replace(ledger=(ledger[0], ledger[1]))


def _listen(world: World, message: Message) -> World:
    """The engine takes one message in."""
    engine = world.engine
    assert engine is not None
    kind, operation = message
    if message == END:
        return _hung_up(world)
    match kind:
        case "report":
            return _reported(world, operation)
        case "ended":
            current = "" if engine.current == operation else engine.current
            return book(world, operation, "ended")._replace(engine=engine._replace(current=current))
        case "admitted" if engine.current == operation:
            return world._replace(engine=engine._replace(is_admitted=True))
        case "refused" if engine.current == operation and not engine.is_admitted:
            return book(world, operation, "refused")._replace(engine=engine._replace(current=""))
    return world


def _hung_up(world: World) -> World:
    engine = world.engine
    assert engine is not None
    gone = Engine(current=engine.current, is_admitted=engine.is_admitted)
    return world._replace(engine=gone, to_engine=(), is_broken=True)


def _reported(world: World, operation: str) -> World:
    engine = world.engine
    assert engine is not None
    if engine.reports == 0:
        unsettled = frozenset(one for one in OPERATIONS if status(world, one) == "open") - {operation}
        heard = world._replace(engine=engine._replace(reports=1, unsettled=unsettled))
        return send(heard, "ask", "") if unsettled else heard
    for one in engine.unsettled:
        if status(world, one) == "open":
            world = book(world, one, "refused")
            if engine.current == one:
                engine = engine._replace(current="")
    return world._replace(engine=engine._replace(reports=2, unsettled=frozenset()))
