"""How much is left in a container, and how sure that is."""

from collections.abc import Mapping, Sequence

from controller.ledger.records import Container, Spread
from controller.metering.calibration import law_of
from controller.model.calibration import Calibration
from controller.model.messages import Delivery

SURE = 2.0  # standard uncertainties: 95 % of the time at least this much is left
GUARD_BOUND = 3.0  # the guard's worst case lies so many standard uncertainties above what it expects

# Nominal volume up to (mL) -> tolerable negative error as (fraction of it, mL): Directive 76/211/EEC, Annex I, 2.4, as
# amended (from memory). Not more than one package in forty may fall short by more: two standard uncertainties.
_TOLERABLE: tuple[tuple[float, tuple[float, float]], ...] = (
    (50.0, (0.09, 0.0)),
    (100.0, (0.0, 4.5)),
    (200.0, (0.045, 0.0)),
    (300.0, (0.0, 9.0)),
    (500.0, (0.03, 0.0)),
    (1000.0, (0.0, 15.0)),
    (float("inf"), (0.015, 0.0)),
)


def tolerable_error_ml(nominal_ml: float) -> float:
    """By how much a prepacked container of this nominal volume (mL, > 0) may fall short of it, mL."""
    fraction, fixed_ml = next(error for most_ml, error in _TOLERABLE if nominal_ml <= most_ml)
    return fraction * nominal_ml + fixed_ml


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
