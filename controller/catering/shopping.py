"""Which containers to buy, and what of them never reaches a glass."""

import math
from collections.abc import Sequence

from controller.metering.package_tolerance import tolerable_error_ml
from controller.model.book import Book
from controller.model.event import GuestEvent
from controller.model.fields import Value
from controller.model.profile import Profile
from controller.model.states import OperationKind
from controller.sequencing.line_runs import LINE_VOLUMES, RINSE_MARGIN, usual_ml

_CELLS = 20_000  # steps of the table of volumes, at most


class Containers(Value, frozen=True, kw_only=True):
    """So many containers of one size."""

    container_ml: float
    count: int


def prime_ml(profile: Profile, line: int) -> float:
    """What priming a line draws, mL; a person primes anew after every change of container."""
    return usual_ml(profile, line, LINE_VOLUMES[OperationKind.PRIME])


def cleaning_ml(profile: Profile, lines: Sequence[int]) -> tuple[float, float]:
    """Cleaner, and rinse water, that these lines take at the end of the event, mL."""
    rinses = profile.hygiene.rinse_line_volumes * RINSE_MARGIN
    cleaner_ml = sum(usual_ml(profile, line, LINE_VOLUMES[OperationKind.CLEAN]) for line in lines)
    return cleaner_ml, sum(usual_ml(profile, line, rinses) for line in lines)


def sizes_ml(event: GuestEvent, book: Book, liquid: str) -> tuple[float, ...]:
    """Sizes that a liquid is sold in, largest first; without any on sale, that of the book's line."""
    sold = {one.container_ml for one in event.on_sale if one.liquid == liquid}
    sold = sold or {one.container_ml for one in book.lines if one.liquid == liquid}
    return tuple(sorted(sold, reverse=True))


def drawable_ml(event: GuestEvent, profile: Profile, line: int, container_ml: float) -> float:
    """What glasses can get of a container on a line, mL; may be < 0 for a small one.

    Lost are what priming draws, what the suction tube leaves, and what the engine does not count on: that the container
    is as full as its label says.
    """
    return container_ml - prime_ml(profile, line) - event.residue_ml - tolerable_error_ml(container_ml)


def at_least(count: int, chosen: tuple[Containers, ...], smallest_ml: float) -> tuple[Containers, ...]:
    """The containers chosen, and as many of the smallest as it takes for each of so many lines to have one."""
    missing = count - sum(one.count for one in chosen)
    if missing <= 0:
        return chosen
    counts = {one.container_ml: one.count for one in chosen}
    counts[smallest_ml] = counts.get(smallest_ml, 0) + missing
    return tuple(Containers(container_ml=size, count=number) for size, number in counts.items())


def choose(need_ml: float, sizes: Sequence[tuple[float, float]]) -> tuple[Containers, ...]:
    """The containers that cover need_ml (mL, >= 0) with the least volume bought, and of those the fewest.

    sizes: (container, what counts of it), mL; at least one counts for more than 0. Exact by a table over the need in
    steps of 1 mL, or of a 20,000th of it where that is more; a container counts for whole steps only. At least one
    container is chosen.
    """
    step_ml = max(1.0, need_ml / _CELLS)
    cells = max(1, math.ceil(need_ml / step_ml - 1e-9))
    usable = [(size, math.floor(counts_ml / step_ml + 1e-9)) for size, counts_ml in sizes]
    usable = [(size, covered) for size, covered in usable if covered > 0]
    best: list[tuple[float, int, int]] = [(0.0, 0, -1)]  # bought mL, count, place of the last container
    for cell in range(1, cells + 1):
        best.append(
            min(
                (best[max(0, cell - covered)][0] + size, best[max(0, cell - covered)][1] + 1, place)
                for place, (size, covered) in enumerate(usable)
            )
        )
    counts, left = [0] * len(usable), cells
    while left > 0:
        place = best[left][2]
        counts[place] += 1
        left = max(0, left - usable[place][1])
    return tuple(
        Containers(container_ml=size, count=count) for (size, _), count in zip(usable, counts, strict=True) if count
    )
