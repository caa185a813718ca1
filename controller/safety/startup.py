"""How the core wakes: what the memory lacks is filled in, and an operation that was cut short is brought to an end."""

from msgspec.structs import asdict

from controller.model.messages import InputReport
from controller.safety import outcome
from controller.safety.machine import Machine
from controller.safety.records import CapChanged, LineState, Started


def wake(machine: Machine, boot: str, inputs: InputReport) -> None:
    """Record the start, every cap that was changed since the last one, and what a crash left undone."""
    known = {state.line for state in machine.memory.lines}
    containers = {on.line: on.liquid for on in machine.book.lines}
    # A line that the journal has never seen is new: its tube has never been wet.
    fresh = tuple(
        LineState(line=line.line, assigned=containers.get(line.line), opened_wall_s=machine.wall_s)
        for line in machine.profile.lines
        if line.line not in known
    )
    old = machine.memory.caps
    machine.record(Started(boot=boot, caps=machine.profile.caps, lines=fresh))
    if old is not None:
        new = asdict(machine.profile.caps)
        for cap, value in asdict(old).items():
            if new[cap] != value:
                machine.record(CapChanged(cap=cap, old=value, new=new[cap]))
    cut_short = outcome.interrupted(machine.memory, machine.situation(inputs))
    if cut_short is not None:
        machine.book_end(cut_short)
