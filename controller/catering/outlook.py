"""What an event comes to, by many simulated ones: waiting, queue, container changes, whether all lasts.

Simulated is the queue, with the planner's times, not the machine; that is what a rehearsal is for. Every figure is a
mean or a quantile over the events drawn, and changes a little with the seed; standard errors are given.
"""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil, floor, sqrt
from random import Random
from statistics import fmean, stdev

from msgspec.structs import replace

from controller.catering.arrivals import DrinkRequest, draw_orders
from controller.catering.queue import QueuedGuest, Turn, take_turns
from controller.catering.service import Service
from controller.model.event import GuestEvent
from controller.model.fields import Value
from controller.model.profile import Caps

EVENTS, LEAST_EVENTS = 200, 30
ORDERS = 60_000  # simulated in all, about: large events are simulated less often
SLICES = 48  # of the event's time, for the queue
LOW, HIGH = 0.1, 0.9  # quantiles of the times of changes
UPPER = 0.95  # quantile of waits and queues


class Slice(Value, frozen=True, kw_only=True):
    """How many stand in the queue at at_s (s after the start): mean, and a number not exceeded in 95 of 100 events."""

    at_s: float
    mean: float
    high: float


class ExpectedChange(Value, frozen=True, kw_only=True):
    """The n-th change of container on a line: when, in s after the start, and in which share of events it comes."""

    line: int
    liquid: str
    number: int
    share: float
    early_s: float  # in 10 of 100 events that have it, before this
    median_s: float
    late_s: float  # in 10 of 100, after this


class Outlook(Value, frozen=True, kw_only=True):
    """Figures over simulated events. Waits are from coming to stepping up to the machine."""

    events: int
    seed: int
    mean_wait_s: float
    mean_wait_error_s: float  # standard error
    high_wait_s: float  # 95 of 100 guests wait no longer
    longest_queue: float  # mean over the events of their longest
    held: float  # share of the guests who wait for the caps on an hour
    late_s: float  # mean time from closing until the last drink that was asked for is out
    lasts: float  # share of the events in which every liquid lasts
    lasts_error: float  # standard error
    queue: tuple[Slice, ...]
    changes: tuple[ExpectedChange, ...]


@dataclass
class _Tally:
    """What is gathered over the events."""

    waits_s: list[float] = field(default_factory=list)
    means_s: list[float] = field(default_factory=list)
    longest: list[int] = field(default_factory=list)
    late_s: list[float] = field(default_factory=list)
    lasting: int = 0
    held: int = 0
    queues: list[list[int]] = field(default_factory=list)
    changes: dict[tuple[str, int], list[float]] = field(default_factory=dict)


def look_ahead(
    event: GuestEvent,
    caps: Caps,
    services: Mapping[str, Service],
    *,
    lines: Mapping[str, int],
    containers_ml: Mapping[str, Sequence[float]],
    seed: int,
    events: int | None = None,
) -> Outlook:
    """Simulate events (>= 2; by default as many as take a second or so).

    containers_ml: liquid -> what can be drawn of each container, in turn, mL.
    """
    if events is None:
        events = min(EVENTS, max(LEAST_EVENTS, round(ORDERS / event.expected_drinks)))
    tally, times = _Tally(), [event.lasts_s * (k + 0.5) / SLICES for k in range(SLICES)]
    shares = {recipe: one.share for recipe, one in services.items()}
    for number in range(events):
        rng = Random(f"{seed}/event {number}")
        orders = draw_orders(*_as_it_comes(event, shares, Random(f"{seed}/unsure {number}")), rng)
        _add(tally, orders, event=event, caps=caps, services=services, containers_ml=containers_ml, times=times)
    waits_s = sorted(tally.waits_s)
    lasts = tally.lasting / events
    return Outlook(
        events=events,
        seed=seed,
        mean_wait_s=fmean(tally.means_s),
        mean_wait_error_s=stdev(tally.means_s) / sqrt(events),
        high_wait_s=_quantile(waits_s, UPPER),
        longest_queue=fmean(tally.longest),
        held=tally.held / max(1, len(waits_s)),
        late_s=fmean(tally.late_s),
        lasts=lasts,
        lasts_error=sqrt(lasts * (1.0 - lasts) / events),
        queue=tuple(_slice(at_s, lengths) for at_s, *lengths in zip(times, *tally.queues, strict=True)),
        changes=_changes(tally, lines, events),
    )


def _as_it_comes(event: GuestEvent, shares: Mapping[str, float], rng: Random) -> tuple[GuestEvent, Mapping[str, float]]:
    """One event within what is known of it: as many guests more or fewer, and a menu's shares."""
    weights = {recipe: share * _factor(event.menu_uncertainty, rng) for recipe, share in shares.items()}
    guests = event.guests * _factor(event.mean_uncertainty, rng)
    total = sum(weights.values())
    known = replace(event, guests=max(1, floor(guests + rng.random())))
    return known, {recipe: weight / total for recipe, weight in weights.items()}


def _factor(uncertainty: float, rng: Random) -> float:
    """A gamma distributed factor of mean 1."""
    return rng.gammavariate(uncertainty**-2, uncertainty**2) if uncertainty > 0.0 else 1.0


def _add(
    tally: _Tally,
    orders: Sequence[DrinkRequest],
    *,
    event: GuestEvent,
    caps: Caps,
    services: Mapping[str, Service],
    containers_ml: Mapping[str, Sequence[float]],
    times: Sequence[float],
) -> None:
    served, changed = pour_on_paper(orders, services, containers_ml)
    tally.lasting += len(served) == len(orders)
    delays_s = [event.handling.container_s * len(one) for one in changed]
    guests = [
        QueuedGuest(at_s=one.at_s, cycle_s=services[one.recipe].cycle_s, ethanol_g=services[one.recipe].ethanol_g)
        for one in served
    ]
    turns = take_turns(guests, caps, lambda number, _: delays_s[number])
    counts: dict[str, int] = {}
    for turn, liquids in zip(turns, changed, strict=True):
        for liquid in liquids:
            counts[liquid] = counts.get(liquid, 0) + 1
            tally.changes.setdefault((liquid, counts[liquid]), []).append(turn.begins_s)
    waits_s = [turn.waits_s for turn in turns]
    tally.waits_s += waits_s
    tally.means_s.append(fmean(waits_s) if waits_s else 0.0)
    tally.held += sum(turn.held_s > 0.0 for turn in turns)
    tally.late_s.append(max(0.0, turns[-1].ends_s - event.lasts_s) if turns else 0.0)
    tally.longest.append(_longest(turns))
    tally.queues.append(_lengths(turns, times))


def pour_on_paper(
    orders: Sequence[DrinkRequest], services: Mapping[str, Service], containers_ml: Mapping[str, Sequence[float]]
) -> tuple[list[DrinkRequest], list[tuple[str, ...]]]:
    """The orders that can be served, and for each the liquids whose container is changed before it.

    A container is changed when it no longer holds a dose, and what is left in it is lost; when there is no other, the
    order is lost.
    """
    left_ml = {liquid: volumes[0] if volumes else 0.0 for liquid, volumes in containers_ml.items()}
    hung = dict.fromkeys(containers_ml, 0)
    served, changed = [], []
    for order in orders:
        doses_ml = services[order.recipe].doses_ml
        short = [liquid for liquid, volume_ml in doses_ml.items() if left_ml[liquid] < volume_ml]
        fresh = {liquid: containers_ml[liquid][hung[liquid] + 1 :][:1] for liquid in short}
        if any(not volumes or volumes[0] < doses_ml[liquid] for liquid, volumes in fresh.items()):
            continue
        for liquid in short:
            hung[liquid] += 1
            left_ml[liquid] = fresh[liquid][0]
        for liquid, volume_ml in doses_ml.items():
            left_ml[liquid] -= volume_ml
        served.append(order)
        changed.append(tuple(short))
    return served, changed


def _longest(turns: Sequence[Turn]) -> int:
    """The most who stood in the queue together; it is longest just after someone has come."""
    begins = [turn.begins_s for turn in turns]
    return max((place + 1 - bisect_right(begins, turn.at_s) for place, turn in enumerate(turns)), default=0)


def _lengths(turns: Sequence[Turn], times: Sequence[float]) -> list[int]:
    came, began = [turn.at_s for turn in turns], [turn.begins_s for turn in turns]
    return [bisect_right(came, at_s) - bisect_right(began, at_s) for at_s in times]


def _slice(at_s: float, lengths: Sequence[float]) -> Slice:
    return Slice(at_s=at_s, mean=fmean(lengths), high=_quantile(sorted(lengths), UPPER))


def _changes(tally: _Tally, lines: Mapping[str, int], events: int) -> tuple[ExpectedChange, ...]:
    found = []
    for (liquid, number), times_s in tally.changes.items():
        times_s.sort()
        found.append(
            ExpectedChange(
                line=lines[liquid],
                liquid=liquid,
                number=number,
                share=len(times_s) / events,
                early_s=_quantile(times_s, LOW),
                median_s=_quantile(times_s, 0.5),
                late_s=_quantile(times_s, HIGH),
            )
        )
    return tuple(sorted(found, key=lambda one: (one.median_s, one.line)))


def _quantile(ordered: Sequence[float], level: float) -> float:
    """The least value that is not exceeded by this share of them; 0 of none."""
    return ordered[max(0, ceil(level * len(ordered) - 1e-9) - 1)] if ordered else 0.0
