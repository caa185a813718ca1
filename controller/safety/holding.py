"""Whether what runs is to be held now: by an input, by what is weighed, by a container that runs low."""

from controller.model.messages import InputReport, Waiting
from controller.model.wiring import GlassContact, role_of
from controller.safety import weighed_watch
from controller.safety.admission import DRAWS_FROM_CONTAINER
from controller.safety.input_rules import active_roles
from controller.safety.machine import Hold, StateMachine


def hold_due(machine: StateMachine, inputs: InputReport) -> Hold | None:
    """Why to hold, None when nothing speaks for it."""
    progress = machine.progress
    if progress is None:
        return None
    held = next((name for name, role in active_roles(inputs) if role.effect == "hold"), None)
    if held is not None:
        return Hold(Waiting(kind="input"), held, role_of(held).reason)
    if progress.is_serving and inputs.glass_present is False:
        return Hold(Waiting(kind="glass"), GlassContact.role.name, "the glass was lifted")
    if (weighed := weighed_watch.watch(machine)) is not None:
        return weighed
    if progress.operation.kind in DRAWS_FROM_CONTAINER:
        low = sorted(progress.waiting & (progress.ran_out | set(inputs.low_lines)))
        if low:
            what = "empty" if low[0] in progress.ran_out else "low"
            return Hold.for_container(low[0], f"the container on line {low[0]} is {what}")
    return None
