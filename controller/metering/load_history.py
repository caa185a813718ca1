"""Drift of the zero and creep, from the scale's means of whole minutes."""

from collections.abc import Sequence

from controller.metering.load_cell import CREEP_30_MIN, DRIFTED
from controller.model.fields import Value
from controller.model.scale import Scale

SAME_LOAD_G = 1.0  # from one minute to the next; more is another load
LEAST_MINUTES = 5
MUCH_CREEP = 2.0  # times what a data sheet states


class Minute(Value, frozen=True, kw_only=True):
    """The mean load of one minute at rest (g), at its end (monotonic s)."""

    at_s: float
    load_g: float


def plateau(minutes: Sequence[Minute]) -> Sequence[Minute]:
    """The last minutes under one load, oldest first."""
    first = len(minutes)
    while first > 0 and (first == len(minutes) or abs(minutes[first].load_g - minutes[first - 1].load_g) < SAME_LOAD_G):
        first -= 1
    return minutes[first:]


def slow_findings(minutes: Sequence[Minute], scale: Scale) -> tuple[str, ...]:
    """What the last minutes under one load say: a zero that drifts, a load that creeps beyond the data sheets."""
    last = plateau(minutes)
    if len(last) < LEAST_MINUTES:
        return ()
    moved_g, load_g = last[-1].load_g - last[0].load_g, last[0].load_g
    lasted = f"{moved_g:+.1f} g in {(last[-1].at_s - last[0].at_s) / 60.0:.0f} min"
    if abs(load_g) < 2.0 * DRIFTED * scale.capacity_g:
        if abs(moved_g) > DRIFTED * scale.capacity_g:
            return (
                f"the zero drifts with time and temperature: {lasted}. Zero it before each evening, away from heat.",
            )
        return ()
    if abs(moved_g) > MUCH_CREEP * CREEP_30_MIN * abs(load_g) + DRIFTED * scale.capacity_g / 2.0:
        return (
            f"the load creeps: {lasted} at {load_g:.0f} g, more than a cell of {scale.capacity_g:g} g should. Look for "
            "something that drips or touches the platform; else the cell was overloaded: replace it.",
        )
    return ()
