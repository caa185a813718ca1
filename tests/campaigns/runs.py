"""One run of the campaign: a plot, played to its end, then calm, then the books are compared."""

import traceback
from dataclasses import dataclass
from functools import partial

import structlog

from controller.errors import TundishError
from controller.model.requests import JogRequest
from controller.model.states import Contents, MachineState
from tests.campaigns.acts import Acts
from tests.campaigns.house import House
from tests.campaigns.load_cell import with_scale
from tests.campaigns.people import Person
from tests.campaigns.plot import START_S, draw_plot
from tests.campaigns.troubles import LONGEST_S
from tests.campaigns.violation import Violation

WALL_S = 1_789_000_000.0
CALM_S = 100.0  # after the last trouble the machine is at rest again, one way or another
JOG_S = 6.0


@dataclass(frozen=True, kw_only=True)
class Finding:
    """What came of one run; text is "" when all held."""

    seed: int
    text: str
    story: tuple[str, ...]
    admitted: int
    seconds: float  # virtual


def play(seed: int, *, weighed: bool = False) -> Finding:
    """Play the run of this seed; weighed: on a machine with a scale."""
    structlog.configure(processors=[], logger_factory=structlog.ReturnLoggerFactory())
    house, text = None, ""
    try:
        plot = draw_plot(seed, WALL_S)
        house = House(with_scale(plot) if weighed else plot)
        _play(house)
    except Violation as violation:
        text = str(violation)
    except Exception:  # whatever breaks is a finding, told with its seed
        text = traceback.format_exc()
    if house is None:
        return Finding(seed=seed, text=text, story=(), admitted=0, seconds=0.0)
    house.close()
    seconds = house.now_s - START_S
    return Finding(
        seed=seed,
        text=text and f"at {seconds:.4f} s: {text}",
        story=tuple(house.story),
        admitted=len(house.watch.admitted),
        seconds=seconds,
    )


def _play(house: House) -> None:
    house.start()
    person = Person(house, house.plot.orders)
    acts = Acts(house, person)
    for trouble in house.plot.troubles:
        house.later(trouble.at_s, partial(acts.bring_about, trouble))
    while house.now_s < START_S + LONGEST_S:
        house.run_until(house.now_s + 1.0)
        if person.is_content and _is_at_rest(house) and not _is_more_to_come(house):
            break
    _calm_down(house, person, acts)
    _check_books(house)
    _check_use(house)


def _is_more_to_come(house: House) -> bool:
    return any(START_S + one.at_s > house.now_s for one in house.plot.troubles)


def _is_at_rest(house: House) -> bool:
    engine = house.engine
    if engine is None:
        return False
    status = engine.status()
    is_over = status.operation is None or status.operation.outcome is not None or bool(status.operation.refused)
    return is_over and status.state in (MachineState.IDLE, MachineState.ABORTED)


def _calm_down(house: House, person: Person, acts: Acts) -> None:
    """Whatever is wrong is put right; within CALM_S the machine is idle, with nobody in doubt about anything."""
    house.tell("calm")
    acts.end_all()
    person.help_out()
    house.use_sound_wires()
    end_s = house.now_s + CALM_S
    house.run_until(house.now_s + 3.0)
    while house.now_s < end_s:
        house.run_until(house.now_s + 0.5)
        engine = house.engine
        if engine is not None and person.is_content and _is_idle(house):
            break
    else:
        raise Violation(f"not at rest {CALM_S} s after all troubles: {_in_short(house)}")
    house.run_until(house.now_s + 1.0)
    house.watch.amounts.close()


def _in_short(house: House) -> str:
    engine = house.engine
    if engine is None:
        return "no engine"
    status = engine.status()
    operation = status.operation
    about = f"{operation.operation} waits for {operation.waiting_for}, {operation.outcome}" if operation else "none"
    return f"{status.state}, fault {status.fault}, operation {about}, guard there: {status.guard_connected}"


def _is_idle(house: House) -> bool:
    engine = house.engine
    return engine is not None and engine.status().state == MachineState.IDLE and _is_at_rest(house)


def _check_books(house: House) -> None:
    """Every operation that was admitted has its end in the journal, and the ledger has it too."""
    watch, ledger = house.watch, house.ledger
    if watch.on:
        raise Violation(f"lines {sorted(watch.on)} are on at the end")
    for name in watch.admitted:
        record = watch.ended.get(name)
        if record is None:
            raise Violation(f"{name} was admitted and has no end in the journal")
        entry = ledger.entry(name)
        if entry is not None and entry.outcome is None:
            raise Violation(f"{name} ended ({record.ended.outcome}), but is open in the ledger")
        # A refusal that comes twice or late cannot happen on a socket; on worse wires the books may believe it.
        if entry is not None and entry.outcome == "refused" and house.plot.manners.is_stream:
            raise Violation(f"{name} ended ({record.ended.outcome}), but counts as refused in the ledger")
    left_open = ledger.open_operations()
    if left_open:
        raise Violation(f"open for ever in the ledger: {', '.join(left_open)}")


def _check_use(house: House) -> None:
    """The machine can be used again: a short jog is admitted, or refused for a reason that is its line's own."""
    engine = house.engine
    if engine is None:
        raise Violation("no engine")
    line = next((one.line for one in engine.status().lines if one.contents in (Contents.EMPTY, Contents.LIQUID)), None)
    if line is None:
        return
    try:
        asked = engine.jog(JogRequest(line=line, on_s=0.3))
    except TundishError as refused:
        raise Violation(f"a jog of line {line} is refused by the engine: {refused}") from refused
    house.engine_process.wake_s = house.now_s
    house.run_until(house.now_s + JOG_S)
    view = engine.operation(asked.operation)
    if view.outcome is None and not view.refused:
        raise Violation(f"a jog of line {line} was neither refused nor done")
