"""How the core wakes: what the memory lacks is filled in, and an operation that was cut short is brought to an end."""

import msgspec
from msgspec.structs import replace

from controller.model.messages import InputReport
from controller.safety import outcome
from controller.safety.contents import lost
from controller.safety.machine import Machine
from controller.safety.reading import changes_nothing, reading
from controller.safety.records import CapChanged, Lost, Serving, Started
from controller.safety.rewiring import rewired

JOURNAL_DAMAGED = "journal damaged"  # cause of a fault


def wake(machine: Machine, inputs: InputReport, *, boot: str, damage: str, snapshot: bool) -> None:
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
    cut_short = outcome.interrupted(machine.memory, machine.situation(inputs))
    if cut_short is not None:
        machine.book_end(cut_short)
    if damage:
        forget(machine, damage)
    elif snapshot:
        machine.record(machine.memory)


def forget(machine: Machine, damage: str) -> None:
    """Part of the past is lost: nothing is certain about any line, not even what hangs on it; the hour is used up."""
    caps, memory = machine.profile.caps, machine.memory
    share_g = caps.hour_ethanol_g / caps.hour_servings
    spent = (Serving(at_s=memory.credited_s, ethanol_g=share_g),) * caps.hour_servings
    lines = tuple(replace(lost(state), assigned=None, container=None, opened=None) for state in memory.lines)
    machine.record(Lost(damage=damage, lines=lines, servings=spent))
    machine.trip(JOURNAL_DAMAGED, damage if memory.fault is None else f"{damage}; before that: {memory.fault.text}")
    machine.record(machine.memory)
