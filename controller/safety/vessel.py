"""What stands under the outlet, as far as the guard can know: what was poured into it.

Whatever is not poured into a confirmed jug counts as poured into a glass, whatever the operation is called. No sensor
tells a glass from a jug, so a confirmation is good once, and for the volume that it states.
"""

from controller.model.fields import Value
from controller.model.plan import Operation
from controller.model.states import OperationKind


class Poured(Value, frozen=True, kw_only=True, omit_defaults=True):
    """An amount by its upper bound."""

    volume_ml: float = 0.0
    ethanol_g: float = 0.0

    def plus(self, other: "Poured") -> "Poured":
        """Both together."""
        return Poured(volume_ml=self.volume_ml + other.volume_ml, ethanol_g=self.ethanol_g + other.ethanol_g)

    def less(self, other: "Poured") -> "Poured":
        """What is left without the other, never less than nothing."""
        return Poured(
            volume_ml=max(0.0, self.volume_ml - other.volume_ml), ethanol_g=max(0.0, self.ethanol_g - other.ethanol_g)
        )


NOTHING = Poured()


class Vessel(Value, frozen=True, kw_only=True, omit_defaults=True):
    """Under the outlet."""

    in_glass: Poured = NOTHING  # by everything since the glass was lifted, or a jug took its place
    loose: Poured = NOTHING  # of that, by what was no serving, since the last serving began


def counts(operation: Operation) -> bool:
    """Whether it counts as poured into a glass; a serving always does."""
    return operation.kind is OperationKind.SERVE or not operation.jug


def before(vessel: Vessel, operation: Operation) -> Poured:
    """What counts with an operation that is to begin: for a serving only what was poured for no guest.

    That a serving gets a glass of its own is another rule's business; the rest of one has the glass of the first part.
    """
    is_anew = operation.kind is OperationKind.SERVE and operation.rest_of is None
    return vessel.loose if is_anew else vessel.in_glass


def admitted(vessel: Vessel, operation: Operation, poured: Poured) -> Vessel:
    """The operation may begin: all that it may pour is booked."""
    if not counts(operation):
        return vessel
    with_it = before(vessel, operation).plus(poured)
    if operation.kind is OperationKind.SERVE:
        return Vessel(in_glass=with_it)
    return Vessel(in_glass=with_it, loose=vessel.loose.plus(poured))


def rebooked(vessel: Vessel, operation: Operation, booked: Poured, poured: Poured) -> Vessel:
    """It turned out to be `poured` instead of `booked`."""
    if not counts(operation):
        return vessel
    in_glass = vessel.in_glass.less(booked).plus(poured)
    if operation.kind is OperationKind.SERVE:
        return Vessel(in_glass=in_glass, loose=vessel.loose)
    return Vessel(in_glass=in_glass, loose=vessel.loose.less(booked).plus(poured))
