"""How many guests a machine can serve, and what the next part is to buy: twin lines, a second machine, a larger supply,
faster pumps, each with the wait that it would give.
"""

import math
from collections.abc import Mapping

from msgspec.structs import replace

from controller.catering.arrivals import busiest_per_hour
from controller.catering.hanging import Hanging, with_spare_lines
from controller.catering.queue import HOUR_S, mean_wait_s
from controller.catering.service import Service, nominal_calibrations, services
from controller.catering.shares import open_shares
from controller.catering.spare_lines import MenuDrink, SpareLine, for_spare_lines
from controller.model.book import Book
from controller.model.doses import resolve
from controller.model.event import GuestEvent
from controller.model.fields import Value
from controller.model.profile import FlowBand, Line, Profile

LARGER, FASTER = 1.5, 1.5  # a supply, with its cap on current; pumps, which draw as much more
TWINS = 2  # lines added to a machine that has none to spare
MOST_WAIT_S = 120.0  # a guest who waits no longer on average is well served: common practice, no source
STEPS = 40  # halvings of the rate looked for


class Part(Value, frozen=True, kw_only=True):
    """The machine with a part: what it would do at this event.

    wait_s: mean, in the long run at the rate of the busiest hour, by Pollaczek and Khinchine; infinite (None) when more
    is asked for than it can serve. guests: so many it serves with MOST_WAIT_S on average then, drinks as at this event.
    """

    part: str
    pumps_s: float  # of a drink, on average
    wait_s: float | None
    guests: int


def spare_lines(event: GuestEvent, profile: Profile, book: Book, hanging: Hanging) -> tuple[SpareLine, ...]:
    """What should hang on the lines that this way of hanging leaves free, for the drinks of the menu."""
    drinks = [
        MenuDrink(phases=resolve(book.recipe(recipe), book), share=share)
        for recipe, share in open_shares(event, hanging).items()
    ]
    lines = hanging.all_lines
    used = {line for each in lines.values() for line in each}
    # A spare line by its data sheet; the liquid that it may get does not matter much to its pump.
    thin = min(lines, key=lambda liquid: book.liquid(liquid).viscosity_mpa_s or 1.0)
    free = {thin: tuple(line.line for line in profile.lines if line.line not in used)}
    known = nominal_calibrations(profile, book, free) | nominal_calibrations(profile, book, lines)
    return for_spare_lines(profile, book, drinks, lines, known)


def parts(event: GuestEvent, profile: Profile, book: Book, hanging: Hanging) -> tuple[Part, ...]:
    """The machine as it is, then with each part, the shortest wait first."""

    def with_machine(name: str, machine: Profile, hung: Hanging, machines: int = 1) -> Part:
        known = nominal_calibrations(machine, book, hung.all_lines)
        shares = open_shares(event, hung)
        served = services(event, machine, book, lines=hung.all_lines, shares=shares, calibrations=known)
        return _part(name, event, machine, served, machines)

    larger, faster = _larger(profile), _faster(profile)
    twinned = profile if _has_spare(profile, hanging) else _with_lines(profile)
    spares = spare_lines(event, twinned, book, hanging)
    named = ", ".join(f"{one.liquid} on line {one.line}" for one in spares)
    added = "" if twinned is profile else f"{TWINS} more lines: "
    options = [
        with_machine("a second machine like this one", profile, hanging, 2),
        with_machine(
            f"a supply that gives the pumps {larger.caps.current_a:.1f} A instead of {profile.caps.current_a:g} A",
            larger,
            hanging,
        ),
        with_machine(f"pumps {FASTER:g} times as fast, on such a supply", faster, hanging),
    ]
    if spares:
        options.append(with_machine(f"{added}{named}", twinned, with_spare_lines(hanging, spares)))
    ranked = sorted(options, key=lambda one: (math.inf if one.wait_s is None else one.wait_s, -one.guests))
    return (with_machine("as it is", profile, hanging), *ranked)


def _part(name: str, event: GuestEvent, profile: Profile, served: Mapping[str, Service], machines: int) -> Part:
    cycles = [(one.cycle_s, one.share) for one in served.values()]
    most_per_s = profile.caps.hour_servings / HOUR_S
    busiest_per_s = busiest_per_hour(event) / HOUR_S / machines
    wait_s = math.inf if busiest_per_s > most_per_s else mean_wait_s(busiest_per_s, cycles)
    low, high = 0.0, most_per_s
    if mean_wait_s(high, cycles) > MOST_WAIT_S:
        for _ in range(STEPS):
            middle = (low + high) / 2
            low, high = (middle, high) if mean_wait_s(middle, cycles) <= MOST_WAIT_S else (low, middle)
    else:
        low = high
    return Part(
        part=name,
        pumps_s=sum(one.share * one.pumps_s for one in served.values()),
        wait_s=None if math.isinf(wait_s) else wait_s,
        guests=math.floor(event.guests * low / busiest_per_s) if busiest_per_s else event.guests,
    )


def _has_spare(profile: Profile, hanging: Hanging) -> bool:
    return sum(len(lines) for lines in hanging.all_lines.values()) < len(profile.lines)


def _with_lines(profile: Profile) -> Profile:
    """The machine with more lines like its last; on paper only, so they have no pins of their own."""
    last = profile.lines[-1]
    more = tuple(replace(last, line=last.line + number) for number in range(1, TWINS + 1))
    return replace(profile, lines=(*profile.lines, *more))


def _larger(profile: Profile) -> Profile:
    supply, caps = profile.supply, profile.caps
    return replace(
        profile,
        supply=replace(supply, rated_a=LARGER * supply.rated_a),
        caps=replace(caps, current_a=LARGER * caps.current_a, concurrent=len(profile.lines)),
    )


def _faster(profile: Profile) -> Profile:
    larger = _larger(profile)
    return replace(larger, lines=tuple(map(_faster_line, larger.lines)))


def _faster_line(line: Line) -> Line:
    pump = line.pump
    quick = replace(
        pump,
        nominal_flow_ml_s=FASTER * pump.nominal_flow_ml_s,
        run_a=FASTER * pump.run_a,
        inrush_a=FASTER * pump.inrush_a,
    )
    band = line.flow
    flow = band and FlowBand(least_ml_s=FASTER * band.least_ml_s, most_ml_s=FASTER * band.most_ml_s)
    return replace(line, pump=quick, flow=flow)
