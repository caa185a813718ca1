"""How the core wakes: what the memory lacks is filled in, and an operation that was cut short is brought to an end."""

from collections.abc import Iterable

import msgspec

from controller.model.labels import label_in
from controller.model.messages import Hung, InputReport
from controller.safety import outcome
from controller.safety.contents import disputed, lost, unsaid
from controller.safety.machine import StateMachine
from controller.safety.reading import changes_nothing, reading
from controller.safety.records import CalibrationDropped, CapChanged, LineRecord, Lost, Serving, Started
from controller.safety.requests import absurd
from controller.safety.rewiring import rewired

JOURNAL_DAMAGED, STOCK_DIFFERS = "journal damaged", "stock differs"  # causes of faults


def wake(machine: StateMachine, inputs: InputReport, *, boot: str, damage: str, snapshot: bool) -> None:
    """Record the start, every cap that was changed since the last one, and what a crash left undone.

    damage: what of the journal could not be read, "" when all could. snapshot: whether to sum up the memory.
    """
    found = rewired(machine.profile, machine.book, machine.memory, machine.moment)
    old, new = machine.memory.caps or {}, msgspec.to_builtins(machine.profile.caps)
    machine.record(Started(boot=boot, caps=new, lines=found.lines, renumbered=found.renumbered, removed=found.removed))
    read = reading(machine.book, machine.memory)
    if not changes_nothing(read, machine.memory):
        machine.record(read)
    for cap in {**old, **new} if old else {}:
        if old.get(cap) != new.get(cap):
            machine.record(CapChanged(cap=cap, old=old.get(cap), new=new.get(cap)))
    for one in machine.memory.calibrations:
        if wrong := absurd(one):
            machine.record(CalibrationDropped(line=one.line, liquid=one.liquid, reason=wrong))
    cut_short = outcome.interrupted(machine.memory, machine.situation(inputs))
    if cut_short is not None:
        machine.book_end(cut_short)
    if damage:
        forget(machine, damage)
    elif snapshot:
        machine.record(machine.memory)


def compare_stock(machine: StateMachine, stock: Iterable[Hung]) -> None:
    """A line of which the engine's stock says something else is unknown until a person says what hangs there."""
    states = {state.line: state for state in machine.memory.lines}
    found = []
    for hung in stock:
        state = states.get(hung.line)
        if state is None or state.assigned in (None, hung.liquid):
            continue
        label = label_in(machine.strict_book, hung.liquid)
        machine.record(LineRecord(state=disputed(state, hung.liquid, label)))
        found.append(f"line {hung.line} carries {state.assigned} as the guard knows, {hung.liquid} as the stock has it")
    if found:
        machine.trip(STOCK_DIFFERS, f"{'; '.join(found)}: somebody has to look and say what hangs there")


def forget(machine: StateMachine, damage: str, *, cause: str = JOURNAL_DAMAGED) -> None:
    """Part of the past is lost: nothing is certain about any line, not even what hangs on it; the hour is used up."""
    caps, memory = machine.profile.caps, machine.memory
    share_g = caps.hour_ethanol_g / caps.hour_servings
    spent = (Serving(at_s=memory.credited_s, ethanol_g=share_g),) * caps.hour_servings
    lines = tuple(unsaid(lost(state)) for state in memory.lines)
    machine.record(Lost(damage=damage, lines=lines, servings=spent))
    machine.trip(cause, damage if memory.fault is None else f"{damage}; before that: {memory.fault.text}")
    machine.record(machine.memory)
