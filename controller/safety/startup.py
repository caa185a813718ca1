"""How the core wakes: what the memory lacks is filled in, and an operation that was cut short is brought to an end."""

from msgspec.structs import asdict

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
    old = machine.memory.caps
    machine.record(
        Started(
            boot=boot,
            caps=machine.profile.caps,
            lines=found.lines,
            renumbered=found.renumbered,
            removed=found.removed,
        )
    )
    read = reading(machine.book, machine.memory)
    if not changes_nothing(read, machine.memory):
        machine.record(read)
    if old is not None:
        new = asdict(machine.profile.caps)
        for cap, value in asdict(old).items():
            if new[cap] != value:
                machine.record(CapChanged(cap=cap, old=value, new=new[cap]))
    cut_short = outcome.interrupted(machine.memory, machine.situation(inputs))
    if cut_short is not None:
        machine.book_end(cut_short)
    if damage:
        _forget(machine, damage)
    if damage or snapshot:
        machine.record(machine.memory)


def _forget(machine: Machine, damage: str) -> None:
    """Part of the past is lost: nothing is certain about any line, and the hour counts as used up."""
    caps, memory = machine.profile.caps, machine.memory
    share_g = caps.hour_ethanol_g / caps.hour_servings
    spent = (Serving(at_s=memory.credited_s, ethanol_g=share_g),) * caps.hour_servings
    machine.record(Lost(damage=damage, lines=tuple(lost(state) for state in memory.lines), servings=spent))
    machine.trip(JOURNAL_DAMAGED, damage)
