"""Whether an ordered drink is still what whoever ordered it agreed to."""

from collections.abc import Iterator

from controller.ledger.orders import Drink
from controller.metering.dose import mi008_ml
from controller.model.orders import Difference


def differences(now: Drink, then: Drink) -> tuple[Difference, ...]:
    """What is different now; nothing when the drink is still the same.

    A dose is the same within what a serving measure may be off, strength as far as a menu says it. An allergen or a
    possible trace that is gone is no difference; an allergen that was a possible trace is one.
    """
    return (*_doses(now, then), *_strength(now, then), *_allergens(now, then))


def _doses(now: Drink, then: Drink) -> Iterator[Difference]:
    for liquid in sorted({*now.doses_ml, *then.doses_ml}):
        now_ml, then_ml = now.doses_ml.get(liquid, 0.0), then.doses_ml.get(liquid, 0.0)
        is_other = (now_ml == 0.0) != (then_ml == 0.0)
        if is_other or abs(now_ml - then_ml) > mi008_ml(max(now_ml, then_ml)):
            yield Difference(about="dose", what=liquid, now=now_ml, then=then_ml)


def _strength(now: Drink, then: Drink) -> Iterator[Difference]:
    if (now.ethanol_g > 0) != (then.ethanol_g > 0):
        yield Difference(about="alcohol", now=now.ethanol_g, then=then.ethanol_g)
    elif now.abv_percent is None or then.abv_percent is None:
        return
    elif f"{now.abv_percent:.1f}" != f"{then.abv_percent:.1f}":
        yield Difference(about="strength", now=now.abv_percent, then=then.abv_percent)


def _allergens(now: Drink, then: Drink) -> Iterator[Difference]:
    made_with, traces = then.allergens, then.may_contain
    if made_with is None or traces is None:
        return
    for one in sorted({*(now.allergens or ())} - {*made_with}):
        yield Difference(about="made_with", what=one)
    for one in sorted({*(now.may_contain or ())} - {*made_with, *traces}):
        yield Difference(about="traces", what=one)
