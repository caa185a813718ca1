"""How much is left in a container, and how sure that is."""

from collections.abc import Mapping, Sequence

from controller.ledger.records import Container, Spread
from controller.metering.calibration import law_of
from controller.metering.package_tolerance import tolerable_error_ml
from controller.model.calibration import Calibration
from controller.model.messages import Delivery

SURE = 2.0  # standard uncertainties: 95 % of the time at least this much is left
GUARD_BOUND = 3.0  # the guard's worst case lies so many standard uncertainties above what it expects


def u_fill_ml(nominal_ml: float) -> float:
    """Standard uncertainty of what a fresh container holds, mL."""
    return tolerable_error_ml(nominal_ml) / 2.0


def sure_ml(container: Container) -> float:
    """What is left with 95 % certainty, mL."""
    return max(0.0, container.remaining_ml - SURE * container.u_ml)


def spreads(deliveries: Sequence[Delivery], calibrations: Mapping[int, Calibration]) -> dict[int, Spread]:
    """Line -> how far off its delivery may be: by the line's calibration, without one by the guard's upper bound."""
    return {one.line: _spread(one, calibrations.get(one.line)) for one in deliveries}


def _spread(delivery: Delivery, calibration: Calibration | None) -> Spread:
    if calibration is None or calibration.liquid != delivery.liquid:
        bound_ml = max(0.0, delivery.worst_ml - delivery.delivered_ml)
        return Spread(shared_ml=bound_ml / GUARD_BOUND, random_ml=0.0)
    law = law_of(calibration)
    return Spread(shared_ml=law.u_mean_ml(delivery.on_s), random_ml=law.scatter.at_ml(delivery.delivered_ml))
