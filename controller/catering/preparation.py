"""An event prepared: what to buy, how to hang it, what to expect. All worked out from book, profile and event."""

from collections.abc import Mapping
from typing import NamedTuple

from controller.catering.arrivals import busiest_per_hour
from controller.catering.hanging import Hanging, as_in_book, hang_freely, with_spare_lines
from controller.catering.outlook import Outlook, look_ahead
from controller.catering.parts import Part, parts, spare_lines
from controller.catering.queue import HOUR_S, mean_wait_s
from controller.catering.service import Service, nominal_calibrations, services
from controller.catering.shares import menu_shares, open_shares
from controller.catering.shopping import Containers, at_least, choose, cleaning_ml, drawable_ml, sizes_ml
from controller.catering.spare_lines import SpareLine
from controller.catering.sundries import Sundry, spread_of, sundries
from controller.errors import Refused
from controller.metering.suction import check_suction
from controller.model.book import Book
from controller.model.calibration import Calibration
from controller.model.doses import resolve
from controller.model.event import GuestEvent
from controller.model.fields import Value
from controller.model.profile import Profile
from controller.model.states import OperationKind
from controller.sequencing.budget import supply_budget
from controller.sequencing.line_runs import longest_s, wetting_runs

LOADS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95)


class Purchase(Value, frozen=True, kw_only=True):
    """What to buy of one liquid. Volumes in mL."""

    liquid: str
    line: int
    expected_ml: float  # in the glasses, on average
    needed_ml: float  # in the glasses, at the service level
    step_ml: float  # needed_ml is exact to this
    lost_ml: float  # at most, of these containers: priming, residue, not quite full, less than a dose
    containers: tuple[Containers, ...]
    bought_ml: float
    lasts: float  # probability that this liquid, by itself, lasts to the end


class Cleaning(Value, frozen=True, kw_only=True):
    """What cleaning all lines at the end takes; takes_s: purge, clean, let the cleaner act, rinse, hands left out."""

    cleaner_ml: float
    rinse_water_ml: float
    takes_s: float


class LineUse(Value, frozen=True, kw_only=True):
    """A liquid on its line, and how the pump draws it."""

    line: int
    liquid: str
    book_line: int | None  # where the book has it
    verdict: str
    note: str
    highest_duty: float  # share of the busiest time that the pump runs, on average


class RateRow(Value, frozen=True, kw_only=True):
    """Waiting in the long run when drinks are asked for at random at this rate; by Pollaczek and Khinchine.

    Rates over the cap on servings in an hour are left out: the formula knows nothing of it.
    """

    per_hour: float
    load: float  # share of the time that the machine is taken
    wait_s: float
    queue: float  # mean number who wait


class Check(Value, frozen=True, kw_only=True):
    """A figure held against its limit."""

    what: str
    value: float
    limit: float
    unit: str
    is_kept: bool
    note: str


class Preparation(Value, frozen=True, kw_only=True):
    """The whole preparation."""

    event: str
    machine: str
    book: str
    drinks: float
    per_hour: float
    busiest_per_hour: float
    most_per_hour: float  # that the machine and its people can serve at all
    service_level: float
    calibrated: bool  # flows as measured; else by the data sheet
    left_out: tuple[str, ...]  # recipes of the menu that cannot be poured
    menu_share: float  # of the drinks asked for that can be poured
    proven: bool  # that no way to hang the liquids opens more of the menu
    services: tuple[Service, ...]
    purchases: tuple[Purchase, ...]
    sundries: tuple[Sundry, ...]  # glasses, and what hands add
    cleaning: Cleaning
    lines: tuple[LineUse, ...]
    spare_lines: tuple[SpareLine, ...]  # what should hang on lines that are still to spare
    parts: tuple[Part, ...]  # the machine as it is, then what could be bought for it
    rates: tuple[RateRow, ...]
    outlook: Outlook
    checks: tuple[Check, ...]


def prepare(
    event: GuestEvent,
    profile: Profile,
    book: Book,
    *,
    seed: int = 1,
    calibrations: Mapping[int, Calibration] | None = None,
    twins: bool = False,
) -> Preparation:
    """Prepare an event. calibrations: of lines as they hang now; a line without one goes by its data sheet.

    twins: hang liquids on the spare lines, too, as `hang` says.

    Raises Refused when nothing of the menu can be poured, or when a drink of it could never be.
    """
    hanging = hang(event, profile, book, twins=twins)
    known = nominal_calibrations(profile, book, hanging.all_lines)
    fitting = {n: one for n, one in (calibrations or {}).items() if n in known and one.liquid == known[n].liquid}
    shares = open_shares(event, hanging)
    served = services(event, profile, book, lines=hanging.all_lines, shares=shares, calibrations=known | fitting)
    case = _Case(event, profile, book, hanging, served)
    return _worked_out(case, seed=seed, calibrated=fitting.keys() == known.keys())


class _Case(NamedTuple):
    """An event whose drinks are known: what all that is prepared follows from."""

    event: GuestEvent
    profile: Profile
    book: Book
    hanging: Hanging
    served: Mapping[str, Service]  # by recipe

    @property
    def cycles(self) -> list[tuple[float, float]]:
        """How long the machine is taken by each drink (s), and the drink's share."""
        return [(one.cycle_s, one.share) for one in self.served.values()]

    @property
    def most_per_hour(self) -> float:
        """Drinks that machine and people can serve, caps left aside."""
        return HOUR_S / sum(cycle_s * share for cycle_s, share in self.cycles)


def _worked_out(case: _Case, *, seed: int, calibrated: bool) -> Preparation:
    event, profile, book, hanging, served = case
    purchases = tuple(_purchase(case, liquid) for liquid in hanging.all_lines)
    drawable = {one.liquid: in_turn_ml(event, profile, one) for one in purchases}
    return Preparation(
        event=event.title,
        machine=profile.machine,
        book=book.title,
        drinks=event.expected_drinks,
        per_hour=HOUR_S * event.expected_drinks / event.lasts_s,
        busiest_per_hour=busiest_per_hour(event),
        most_per_hour=min(case.most_per_hour, float(profile.caps.hour_servings)),
        service_level=event.service_level,
        calibrated=calibrated,
        left_out=tuple(one.recipe for one in event.menu if one.recipe not in served),
        menu_share=hanging.share,
        proven=hanging.proven,
        services=tuple(served.values()),
        purchases=purchases,
        sundries=sundries(event, book, served),
        cleaning=_cleaning(profile, hanging.all_lines),
        lines=tuple(_line_use(case, liquid, line) for liquid, each in hanging.all_lines.items() for line in each),
        spare_lines=spare_lines(event, profile, book, hanging),
        parts=parts(event, profile, book, hanging),
        rates=_rates(case),
        outlook=look_ahead(event, profile.caps, served, lines=hanging.lines, containers_ml=drawable, seed=seed),
        checks=tuple(_checks(case)),
    )


def hang(event: GuestEvent, profile: Profile, book: Book, *, twins: bool = False) -> Hanging:
    """Which liquid on which line: as the book has it, or as opens most of the menu; twins: spare lines used as well."""
    hanging = _hang(event, profile, book)
    return with_spare_lines(hanging, spare_lines(event, profile, book, hanging)) if twins else hanging


def _hang(event: GuestEvent, profile: Profile, book: Book) -> Hanging:
    asked = menu_shares(event)
    needs, volumes_ml = {}, dict[str, float]()
    for recipe, share in asked.items():
        doses = [dose for phase in resolve(book.recipe(recipe), book) for dose in phase.doses]
        needs[recipe] = frozenset(liquid for liquid, _ in doses)
        for liquid, volume_ml in doses:
            volumes_ml[liquid] = volumes_ml.get(liquid, 0.0) + event.expected_drinks * share * volume_ml
    if event.lines == "free":
        return hang_freely(profile, book, needs, asked, volumes_ml)
    hanging = as_in_book(book, needs, asked)
    if not hanging.recipes:
        raise Refused(
            rule="assignment",
            reason="no recipe of the menu can be poured with the lines as the book has them.",
            remedy='Hang other liquids in the book, or write "lines: free" in the event.',
        )
    return hanging


def in_turn_ml(event: GuestEvent, profile: Profile, purchase: Purchase) -> tuple[float, ...]:
    """What glasses can get of each container bought, the largest container first, mL."""
    sizes = [one.container_ml for one in purchase.containers for _ in range(one.count)]
    return tuple(drawable_ml(event, profile, purchase.line, size) for size in sizes)


def _purchase(case: _Case, liquid: str) -> Purchase:
    event, profile, book, hanging, served = case
    lines = hanging.all_lines[liquid]
    line = lines[0]
    doses = [(one.doses_ml[liquid], one.share) for one in served.values() if liquid in one.doses_ml]
    spread = spread_of(event, served, {name: one.doses_ml.get(liquid, 0.0) for name, one in served.items()})
    needed_ml = spread.quantile_ml(event.service_level)
    # Besides, the last drink that no longer fits leaves less than its dose in the container.
    dose_ml = max(volume_ml for volume_ml, _ in doses)
    sizes = {size: drawable_ml(event, profile, line, size) - dose_ml for size in sizes_ml(event, book, liquid)}
    largest = max(sizes)
    if sizes[largest] <= 0.0:
        raise Refused(
            rule="containers",
            reason=f"no drink comes out of {largest:g} mL of {liquid}: {largest - sizes[largest]:.0f} mL may be lost "
            "in the tube, under the suction tube, to a container that is not quite full, and as less than a dose.",
            remedy="Put a larger container on sale.",
        )
    containers = at_least(len(lines), choose(needed_ml, list(sizes.items())), min(sizes))
    bought_ml = sum(one.count * one.container_ml for one in containers)
    counted_ml = sum(one.count * sizes[one.container_ml] for one in containers)
    return Purchase(
        liquid=liquid,
        line=line,
        expected_ml=spread.mean_ml,
        needed_ml=needed_ml,
        step_ml=spread.step_ml,
        lost_ml=bought_ml - counted_ml,
        containers=containers,
        bought_ml=bought_ml,
        lasts=spread.probability(counted_ml),
    )


def _cleaning(profile: Profile, lines: Mapping[str, tuple[int, ...]]) -> Cleaning:
    steps = (OperationKind.PURGE, OperationKind.CLEAN, OperationKind.RINSE)
    drawn = {line: liquid for liquid, each in lines.items() for line in each}
    pumps_s = sum(longest_s(wetting_runs(profile, {}, step, drawn)) for step in steps)
    cleaner_ml, rinse_water_ml = cleaning_ml(profile, list(drawn))
    return Cleaning(
        cleaner_ml=cleaner_ml, rinse_water_ml=rinse_water_ml, takes_s=pumps_s + profile.hygiene.cleaner_contact_s
    )


def _line_use(case: _Case, liquid: str, line: int) -> LineUse:
    event, profile, book, _, served = case
    draw = check_suction(profile.line(line), book.liquid(liquid))
    on_s = sum(one.share * one.on_s.get(line, 0.0) for one in served.values())
    return LineUse(
        line=line,
        liquid=liquid,
        book_line=min(
            (one.line for one in book.lines if one.liquid == liquid), key=lambda one: one != line, default=None
        ),
        verdict=draw.verdict,
        note="" if draw.is_good else draw.text,
        highest_duty=min(busiest_per_hour(event), float(profile.caps.hour_servings)) / HOUR_S * on_s,
    )


def _rates(case: _Case) -> tuple[RateRow, ...]:
    rows = []
    for load in LOADS:
        per_hour = load * case.most_per_hour
        wait_s = mean_wait_s(per_hour / HOUR_S, case.cycles)
        # Little's law: those who wait are the rate times the wait.
        rows.append(RateRow(per_hour=per_hour, load=load, wait_s=wait_s, queue=per_hour / HOUR_S * wait_s))
    return tuple(row for row in rows if row.per_hour <= case.profile.caps.hour_servings)


def _checks(case: _Case) -> list[Check]:
    event, profile, _, _, served = case
    caps, budget, busiest = profile.caps, supply_budget(profile), busiest_per_hour(event)
    highest = max(served.values(), key=lambda one: one.highest_a)
    running = max(served.values(), key=lambda one: one.running_a)
    steady_a = next(row for row in budget.rows if row.name == "pumps, running").limit or 0.0
    ethanol_g = busiest * sum(one.share * one.ethanol_g for one in served.values())
    largest_ml = max(sum(one.doses_ml.values()) for one in served.values())
    rows = [
        ("pumps' current, inrush included", highest.highest_a, budget.current_limit_a, "A", highest.recipe),
        ("pumps' current, running", running.running_a, steady_a, "A", f"{running.recipe}; all evening long"),
        ("drinks in the busiest hour", busiest, float(caps.hour_servings), "/h", "cap hour_servings"),
        ("drinks in the busiest hour", busiest, case.most_per_hour, "/h", "what machine and people can do"),
        ("ethanol in the busiest hour", ethanol_g, caps.hour_ethanol_g, "g", "cap hour_ethanol"),
        ("volume of a serving", largest_ml, caps.serving_volume_ml, "mL", "cap serving_volume"),
        (
            "pumps' time of a serving",
            max(one.pumps_s for one in served.values()),
            caps.serving_time_s,
            "s",
            "cap serving_time",
        ),
    ]
    return [
        Check(what=what, value=value, limit=limit, unit=unit, is_kept=value <= limit + 1e-9, note=note)
        for what, value, limit, unit, note in rows
    ]
