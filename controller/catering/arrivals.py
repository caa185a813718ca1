"""Who asks for what, and when: an event drawn at random from a seeded stream."""

from collections.abc import Mapping
from math import exp, floor
from random import Random

from controller.model.event import DAY_S, DrinksPerGuest, GuestEvent, seconds_between
from controller.model.fields import Value

_INVERTED = 200.0  # a larger mean is drawn in parts: exp(-mean) must stay above the least float


class DrinkRequest(Value, frozen=True, kw_only=True):
    """A drink asked for, at_s (s) after the event's start."""

    at_s: float
    recipe: str


def rates(event: GuestEvent) -> tuple[tuple[float, float, float], ...]:
    """The event in pieces of even demand: (from s, to s, share of all drinks)."""
    lasts_s, arrivals = event.lasts_s, event.arrivals
    if arrivals.profile == "even" or arrivals.peak_at is None or arrivals.peak_lasts_s is None:
        return ((0.0, lasts_s, 1.0),)
    middle_s, half_s = seconds_between(event.starts, arrivals.peak_at) % DAY_S, arrivals.peak_lasts_s / 2
    begin_s, end_s, share = middle_s - half_s, middle_s + half_s, arrivals.peak_share or 0.0
    outside_s = lasts_s - (end_s - begin_s)
    if outside_s <= 0:
        return ((0.0, lasts_s, 1.0),)
    pieces = (
        (0.0, begin_s, (1 - share) * begin_s / outside_s),
        (begin_s, end_s, share),
        (end_s, lasts_s, (1 - share) * (lasts_s - end_s) / outside_s),
    )
    return tuple(piece for piece in pieces if piece[1] > piece[0])


def busiest_per_hour(event: GuestEvent) -> float:
    """Drinks an hour to expect in the busiest piece of the event."""
    return max(3600.0 * event.expected_drinks * share / (end_s - begin_s) for begin_s, end_s, share in rates(event))


def draw_orders(event: GuestEvent, shares: Mapping[str, float], rng: Random) -> tuple[DrinkRequest, ...]:
    """One event's orders, in the order of their times. shares: recipe -> share of all drinks, together 1."""
    count = sum(draw_drinks(event.drinks_per_guest, rng) for _ in range(event.guests))
    pieces = rates(event)
    weights = [share for _, _, share in pieces]
    recipes = rng.choices(list(shares), list(shares.values()), k=count) if count else []
    places = rng.choices(pieces, weights, k=count) if count else []
    orders = [
        DrinkRequest(at_s=rng.uniform(begin_s, end_s), recipe=recipe)
        for recipe, (begin_s, end_s, _) in zip(recipes, places, strict=True)
    ]
    return tuple(sorted(orders, key=lambda one: one.at_s))


def draw_drinks(drinks: DrinksPerGuest, rng: Random) -> int:
    """How many drinks one guest takes."""
    match drinks.distribution:
        case "fixed":
            return floor(drinks.mean) + (rng.random() < drinks.mean % 1.0)
        case "poisson":
            return _poisson(drinks.mean, rng)
        case "overdispersed":
            # A Poisson number whose mean is itself drawn, from a gamma distribution, is negative binomial.
            excess = (drinks.standard_deviation or 0.0) ** 2 / drinks.mean - 1.0
            return _poisson(rng.gammavariate(drinks.mean / excess, excess), rng)


def _poisson(mean: float, rng: Random) -> int:
    """A Poisson number by inversion: the first at which the summed probabilities pass a uniform number."""
    if mean > _INVERTED:
        return _poisson(_INVERTED, rng) + _poisson(mean - _INVERTED, rng)
    wanted, count = rng.random(), 0
    term = total = exp(-mean)
    while wanted > total and term > 0.0:
        count += 1
        term *= mean / count
        total += term
    return count
