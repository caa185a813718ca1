"""What an event takes besides liquids: glasses, ice and garnish; and how its drinks spread over all of these."""

import math
from collections.abc import Mapping
from typing import Literal, TypedDict

from controller.catering.demand import Demand, demand, share_uncertainty
from controller.catering.service import Service
from controller.model.book import Book
from controller.model.event import GuestEvent
from controller.model.fields import Value


class Needs(TypedDict):
    """How often, on average and at the service level."""

    expected: float
    needed: int


class Sundry(Value, frozen=True, kw_only=True):
    """A glass, or what one hand step adds: how often it is needed on average, and at the service level."""

    kind: Literal["glass", "hand step"]
    what: str  # the glass by name, the hand step as the book words it
    expected: float
    needed: int
    takes_ml: float = 0.0  # in each glass, such as by ice


def spread_of(event: GuestEvent, served: Mapping[str, Service], amounts: Mapping[str, float]) -> Demand:
    """How much an event takes of something. amounts: recipe -> how much of it is in one drink; 0 for none."""
    inside = [(amounts[recipe], one.share) for recipe, one in served.items() if amounts.get(recipe, 0.0) > 0.0]
    outside = [one.share for recipe, one in served.items() if amounts.get(recipe, 0.0) <= 0.0]
    of_shares = share_uncertainty([share for _, share in inside], outside, event.menu_uncertainty)
    uncertainty = math.hypot(event.mean_uncertainty, of_shares)
    return demand(event.drinks_per_guest, event.guests, inside, uncertainty=uncertainty)


def sundries(event: GuestEvent, book: Book, served: Mapping[str, Service]) -> tuple[Sundry, ...]:
    """Glasses, when none is washed before the end, and the hand steps of all drinks, as the menu has them in turn."""
    glasses: dict[str, dict[str, float]] = {}
    steps: dict[tuple[str, float], dict[str, float]] = {}
    for recipe in served:
        drink = book.recipe(recipe)
        glasses.setdefault(drink.glass, {})[recipe] = 1.0
        for phase in drink.phases:
            if phase.hand is not None:
                counts = steps.setdefault((phase.hand, phase.takes_ml), {})
                counts[recipe] = counts.get(recipe, 0.0) + 1.0
    found = [Sundry(kind="glass", what=glass, **_needs(event, served, counts)) for glass, counts in glasses.items()]
    return (
        *found,
        *(
            Sundry(kind="hand step", what=what, takes_ml=takes_ml, **_needs(event, served, counts))
            for (what, takes_ml), counts in steps.items()
        ),
    )


def _needs(event: GuestEvent, served: Mapping[str, Service], counts: Mapping[str, float]) -> Needs:
    spread = spread_of(event, served, counts)
    return {"expected": spread.mean_ml, "needed": math.ceil(spread.quantile_ml(event.service_level) - 1e-9)}
