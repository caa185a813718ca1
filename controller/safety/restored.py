"""What a memory from a backup is worth: it knows what was true when it was made, and nothing of the time since."""

from collections.abc import Iterable

from msgspec.structs import replace

from controller.model.messages import InputReport
from controller.safety.contents import lost
from controller.safety.machine import StateMachine
from controller.safety.records import LineState, Memory
from controller.safety.startup import forget, wake

RESTORED = "restored from a backup"  # cause of a fault


def with_traces_of(restored: Memory, present: Memory) -> Memory:
    """The restored memory, in which every tube has the traces that either memory knows of.

    A tube is the same by its pin or by its number: which of them was changed since the backup cannot be seen.
    """
    here = (*present.lines, *present.removed)
    pins = {state.gpio for state in (*restored.lines, *restored.removed)}
    only_here = (state for state in here if state.gpio is not None and state.gpio not in pins)
    return replace(
        restored,
        lines=tuple(_with_traces(state, here) for state in restored.lines),
        removed=tuple(lost(_with_traces(state, here)) for state in (*restored.removed, *only_here)),
    )


def _with_traces(state: LineState, others: Iterable[LineState]) -> LineState:
    same = [one for one in others if one.line == state.line or (one.gpio is not None and one.gpio == state.gpio)]
    tubes = [state, *same]
    return replace(
        state,
        residues=tuple(sorted({liquid for tube in tubes for liquid in tube.residues})),
        drawn=tuple(sorted({liquid for tube in tubes for liquid in tube.drawn})),
        traces=tuple(sorted({allergen for tube in tubes for allergen in tube.traces})),
        cares=tuple(sorted({care for tube in tubes for care in tube.cares})),
    )


def distrust(machine: StateMachine, inputs: InputReport, *, boot: str, text: str) -> None:
    """Record that this memory comes back from a backup: every line is unknown, and the hour counts as used up.

    text: which backup, and what of its journal could not be read.
    """
    wake(machine, inputs, boot=boot, damage="", snapshot=False)
    forget(machine, text, cause=RESTORED)
