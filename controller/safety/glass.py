"""Whether an empty glass stands under the outlet: one fact, and on whose word it rests.

A contact cannot see what a glass holds. But a glass that was lifted since the last pour, and set down again, was in
somebody's hands: whoever sets a full one down does so knowingly.
"""

from typing import Literal

from msgspec.structs import replace

from controller.model.fields import Value
from controller.model.messages import Ended
from controller.model.plan import Operation
from controller.model.states import OperationKind
from controller.safety.vessel import counts

Source = Literal["contact"]  # whose word it is


class GlassState(Value, frozen=True, kw_only=True):
    """What the guard remembers of the glass under the outlet.

    set_down: by whose word another glass was set down after the last pour; None when nobody has seen that.
    """

    set_down: Source | None = None
    serving: str | None = None  # that was poured last, or its latest rest
    takes_ml: float = 0.0  # by the hand steps of both


UNSEEN = GlassState()


def after(glass: GlassState, operation: Operation | None, ended: Ended, *, takes_ml: float) -> GlassState:
    """The glass after an operation; None for one of which only the end is known.

    What ran into a jug that a person has confirmed did not run into the glass; what moved nothing left it as it was.
    """
    into_jug = operation is not None and not counts(operation)
    if into_jug or not any(one.on_s > 0 for one in ended.deliveries):
        return glass
    if ended.kind is not OperationKind.SERVE:
        return replace(glass, set_down=None)
    is_rest = operation is not None and operation.rest_of is not None
    return GlassState(serving=ended.operation, takes_ml=takes_ml + (glass.takes_ml if is_rest else 0.0))
