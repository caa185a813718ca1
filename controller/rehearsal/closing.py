"""A person who follows the steps of a guided sequence on a rehearsed machine."""

from controller.engine.sequences import ALL_LINES
from controller.model.evening import SequenceView, StepView
from controller.model.states import Outcome
from controller.rehearsal.virtual_machine import Machine

JUG_BRIM_ML = 5000.0
BUCKET_ML = 20_000.0  # of cleaner, or of water
IN_BUCKET = {"clean": "cleaner", "rinse": "rinse water"}
SETTLE_S = 2.0


def carry_out(machine: Machine, view: SequenceView) -> list[StepView]:
    """Do what every step asks for until all is done; the steps, in order. RuntimeError when one ends early."""
    line = ALL_LINES if view.line is None else view.line
    steps: list[StepView] = []
    present: SequenceView | None = view
    while present is not None and present.step is not None:
        steps.append(present.step)
        if present.step.kind == "wait":
            machine.pass_time(present.step.seconds)
        else:
            _do_as_asked(machine, present, present.step)
            ended = machine.finish(machine.engine.sequences.next(view.kind, line).operation, 900.0)
            if ended.outcome != Outcome.DONE:
                raise RuntimeError(
                    f"{present.step.kind} of lines {present.step.lines} ended as {ended.outcome}: {ended.reason}"
                )
            machine.pass_time(SETTLE_S)
        under_way = machine.engine.sequences.views()
        present = next((one for one in under_way if (one.kind, one.line) == (view.kind, view.line)), None)
    return steps


def _do_as_asked(machine: Machine, view: SequenceView, step: StepView) -> None:
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
    machine.pass_time(SETTLE_S)
