"""A person who follows the steps of a guided sequence on a rehearsed machine."""

from collections.abc import Callable

from controller.bench.fluids import CLEANER, RINSE_WATER
from controller.engine.sequences import ALL_LINES
from controller.errors import TundishError
from controller.model.evening import SequenceView, StepView
from controller.model.states import Outcome
from controller.model.views import OperationView
from controller.rehearsal.virtual_machine import VirtualMachine

JUG_BRIM_ML = 5000.0
BUCKET_ML = 20_000.0  # of cleaner, or of water
IN_BUCKET = {"clean": CLEANER, "rinse": RINSE_WATER}
SETTLE_S = 2.0


class Stuck(TundishError):
    """The rehearsal cannot go on: the machine does not come to rest, or its cause for stopping cannot be removed."""


def carry_out(
    machine: VirtualMachine,
    begun: SequenceView,
    *,
    pass_time: Callable[[float], None] | None = None,
    finish: Callable[[str], OperationView] | None = None,
    hand_s: float = 0.0,
) -> list[StepView]:
    """Do what every step asks for until all is done; the steps, in order. Stuck when one ends early.

    pass_time, finish: how time passes and an operation is followed to its end; those of the machine when not given.
    hand_s: what a person takes for each line, s.
    """
    pass_time, finish = pass_time or machine.pass_time, finish or (lambda operation: machine.finish(operation, 900.0))
    sequences, line = machine.engine.sequences, ALL_LINES if begun.line is None else begun.line
    steps: list[StepView] = []
    view: SequenceView | None = begun
    while view is not None and view.step is not None:
        steps.append(view.step)
        if view.step.kind == "wait":
            pass_time(view.step.seconds)
        else:
            pass_time(hand_s * len(view.step.lines))
            _do_as_asked(machine, view, view.step)
            pass_time(SETTLE_S)
            ended = finish(sequences.next(begun.kind, line).operation)
            if ended.outcome != Outcome.DONE:
                names = f"{view.step.kind} of lines {view.step.lines}"
                raise Stuck(f"{names} ended as {ended.outcome}: {ended.reason}")
            pass_time(SETTLE_S)
            machine.plant.lift_glass()
        view = next((one for one in sequences.views() if (one.kind, one.line) == (begun.kind, begun.line)), None)
    return steps


def _do_as_asked(machine: VirtualMachine, view: SequenceView, step: StepView) -> None:
    """Hang the tubes where they belong, and put an empty jug under the outlet."""
    if machine.plant.report().glass is not None:
        machine.plant.lift_glass()
    machine.plant.place_glass(brim_ml=JUG_BRIM_ML)
    for line in step.lines:
        match step.kind:
            case "purge":
                machine.plant.unhang(line)
            case "clean" | "rinse":
                machine.plant.hang(line, IN_BUCKET[step.kind], BUCKET_ML)
            case "prime" if view.liquid is not None and view.container_ml is not None:
                machine.plant.hang(line, view.liquid, view.container_ml)
