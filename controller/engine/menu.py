"""The menu: what each recipe is, and what stands between it and the glass."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from controller.engine.background import NotYet, Work
from controller.engine.scaling import ScaledServing, serving
from controller.engine.stock_uncertainty import SURE, sure_ml
from controller.engine.worker import Call
from controller.errors import Refused
from controller.ledger.records import Container
from controller.model.book import Book, Recipe
from controller.model.calibration import Calibration
from controller.model.doses import Resolved, glass_ml
from controller.model.labels import GlassSize
from controller.model.messages import LineReport, Refusal
from controller.model.plan import Segment
from controller.model.profile import Profile
from controller.model.requests import PourRequest
from controller.model.standard_drinks import standard_drinks
from controller.model.states import Contents
from controller.model.views import MenuDose, MenuEntry, MenuPhase, Offer, Swap
from controller.sequencing.plan import Plan, plan_serving

Verdict = Callable[[str, Sequence[Segment]], tuple[Refusal, ...]]  # glass, plan -> what the guard would refuse of it


@dataclass(frozen=True, kw_only=True)
class Shelf:
    """What the machine has at this moment: lines by the guard's report, containers, and lines that may not serve."""

    reports: Mapping[int, LineReport]
    containers: Mapping[int, Container]
    overdue: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    out_of_service: Mapping[int, str] = field(default_factory=dict)
    low_lines: tuple[int, ...] = ()  # by their level contacts
    glasses: tuple[GlassSize, ...] = ()  # those that count as smaller than the book has them


def lines_by_liquid(reports: Mapping[int, LineReport]) -> dict[str, int]:
    """Liquid -> the line it is to be drawn from: of several the first that is filled with it, else the first."""
    found: dict[str, int] = {}
    ready_last = sorted(reports.values(), key=lambda one: (one.contents == Contents.LIQUID, -one.line))
    for one in ready_last:
        if one.liquid is not None:
            found[one.liquid] = one.line
    return found


def lines_for(needed: Mapping[str, float], shelf: Shelf) -> dict[str, int]:
    """Liquid -> the line to draw this much of it (mL) from: the one with the fewest obstacles, then the first."""
    found = {}
    for liquid, volume_ml in needed.items():
        lines = sorted(one.line for one in shelf.reports.values() if one.liquid == liquid)
        if lines:
            found[liquid] = min(lines, key=lambda line: len(_obstacles(liquid, volume_ml, line, shelf)))
    return found


def calibrations(reports: Mapping[int, LineReport]) -> dict[int, Calibration]:
    """Line -> calibration, where it fits the liquid that hangs there."""
    return {
        one.line: one.calibration
        for one in reports.values()
        if one.calibration is not None and one.calibration.liquid == one.liquid
    }


def missing(needed: Mapping[str, float], shelf: Shelf) -> tuple[str, ...]:
    """Why these volumes (liquid -> mL) cannot be drawn now, one sentence each; nothing when they can."""
    where = lines_for(needed, shelf)
    found: list[str] = []
    for liquid, volume_ml in needed.items():
        if liquid not in where:
            by_stock = [one.line for one in shelf.containers.values() if one.liquid == liquid]
            disputed = [f"{liquid}: {reason}" for line in by_stock for reason in shelf.overdue.get(line, ())]
            found += disputed or [f"{liquid}: on no line"]
        else:
            found += _obstacles(liquid, volume_ml, where[liquid], shelf)
    return tuple(found)


def too_large(served: ScaledServing, shelf: Shelf) -> tuple[str, ...]:
    """Why the glass may not take this serving, where the book has it larger than anybody has confirmed."""
    return tuple(
        f"the {size.glass} counts as {size.usable_ml:.0f} mL until somebody confirms that it is larger: tundish reload"
        for size in shelf.glasses
        if size.glass == served.glass and glass_ml(served.phases) > size.usable_ml
    )


def _obstacles(liquid: str, volume_ml: float, line: int, shelf: Shelf) -> list[str]:
    report, found = shelf.reports[line], []
    if line in shelf.out_of_service:
        found.append(shelf.out_of_service[line])
    match report.contents:
        case Contents.CLEANER:
            found.append(f"{liquid}: line {line}: rinse due")
        case Contents.UNKNOWN:
            found.append(f"{liquid}: line {line}: purge due")
        case Contents.LIQUID if report.holds != liquid:
            found.append(f"{liquid}: line {line} still holds {report.holds}")
        case Contents.EMPTY | Contents.RINSE_WATER:
            found.append(f"{liquid}: line {line} is not primed with it")
    if not found and line not in calibrations(shelf.reports):  # a line is calibrated with what it holds
        found.append(f"{liquid}: line {line} is not calibrated with it")
    found += shelf.overdue.get(line, ())
    if line in shelf.low_lines:
        found.append(f"{liquid}: the container on line {line} is low")
    container = shelf.containers.get(line)
    if container is not None and sure_ml(container) < volume_ml:
        give_ml = SURE * container.u_ml
        give = f", give or take {give_ml:.0f} mL" if give_ml >= 0.5 else ""
        found.append(
            f"{liquid}: {volume_ml - sure_ml(container):.0f} mL short, {container.remaining_ml:.0f} mL left{give}"
        )
    return found


class Menu:
    """Entries of all recipes. Plans are kept for as long as lines and calibrations stay the same."""

    def __init__(self, profile: Profile, book: Book, work: Work) -> None:
        self._profile, self._book, self._work = profile, book, work
        self._singles = {one.recipe: _single(one, book) for one in book.recipes}
        self._mixtures = {name: single.mixture(book) for name, single in self._singles.items()}
        self._plans: dict[str, tuple[object, Plan | None]] = {}

    def entries(self, shelf: Shelf, verdict: Verdict = lambda _glass, _plan: ()) -> tuple[MenuEntry, ...]:
        """Every recipe of the book, and why it cannot be poured where it cannot."""
        found, missing_calls = list[MenuEntry](), list[Call]()
        for recipe in self._book.recipes:
            try:
                found.append(self._entry(recipe, shelf, verdict))
            except NotYet as missing:
                missing_calls += missing.calls
        if missing_calls:
            raise NotYet(*missing_calls)
        return tuple(found)

    def _entry(self, recipe: Recipe, shelf: Shelf, verdict: Verdict) -> MenuEntry:
        single, mixture = self._singles[recipe.recipe], self._mixtures[recipe.recipe]
        doses = [dose for phase in recipe.phases for dose in phase.doses]
        allergens = {one for liquid in single.needed_ml for one in self._book.liquid(liquid).allergens}
        country = self._profile.standard_drink
        lacks = missing(single.needed_ml, shelf)
        hung = {one.liquid for one in shelf.reports.values()}
        planned, refused = self._plan(single, shelf), (*lacks, *too_large(single, shelf))
        if planned is not None and not refused:
            refused = tuple(one.reason for one in verdict(single.glass, planned.segments))
        return MenuEntry(
            recipe=recipe.recipe,
            glass=recipe.glass,
            volume_ml=mixture.poured_ml,
            abv_percent=mixture.abv_percent,
            ethanol_g=mixture.ethanol_g,
            allergens=tuple(sorted(allergens)),
            liquids=tuple(single.needed_ml),
            may_contain=tuple(sorted(self._on_the_machine(shelf) - allergens)),
            standard_drinks=None if country is None else standard_drinks(mixture.ethanol_g, country),
            standard_drink=country,
            seconds=None if planned is None else planned.makespan_s,
            missing=refused,
            absent=tuple(liquid for liquid in single.needed_ml if liquid not in hung),
            optional=tuple(dict.fromkeys(dose.liquid for dose in doses if dose.optional)),
            substitutes=tuple(Swap(liquid=dose.liquid, by=by) for dose in doses for by in dose.substitutes),
            offer=self._offer(recipe, shelf) if lacks else None,
            phases=tuple(map(_phase, single.phases)),
        )

    def _on_the_machine(self, shelf: Shelf) -> set[str]:
        """Allergens of everything that shares the funnel: what hangs on lines, what stands in them, and traces."""
        liquids = {liquid for one in shelf.reports.values() for liquid in (one.liquid, one.holds, *one.residues)}
        liquids |= {one.liquid for one in shelf.containers.values()}
        of_liquids = {allergen for one in self._book.liquids if one.liquid in liquids for allergen in one.allergens}
        return of_liquids | {allergen for one in shelf.reports.values() for allergen in one.traces}

    def _plan(self, single: ScaledServing, shelf: Shelf) -> Plan | None:
        lines, known = lines_for(single.needed_ml, shelf), calibrations(shelf.reports)
        facts = (lines, [known.get(line) for line in lines.values()])
        kept = self._plans.get(single.recipe)
        if kept is None or kept[0] != facts:
            try:
                planned: Plan | None = self._work(plan_serving, self._profile, known, lines, single.phases)
            except Refused:
                planned = None
            kept = self._plans[single.recipe] = (facts, planned)
        return kept[1]

    def _offer(self, recipe: Recipe, shelf: Shelf) -> Offer | None:
        """The recipe with a substitute, or without an optional dose, for each liquid that something is wrong with."""
        needed = self._singles[recipe.recipe].needed_ml
        doses = [dose for phase in recipe.phases for dose in phase.doses]
        without, instead = [], []
        for liquid, volume_ml in needed.items():
            if not missing({liquid: volume_ml}, shelf):
                continue
            others = [by for dose in doses if dose.liquid == liquid for by in dose.substitutes]
            there = next((by for by in others if not missing({by: volume_ml}, shelf)), None)
            if there is not None:
                instead.append(Swap(liquid=liquid, by=there))
            elif any(dose.optional for dose in doses if dose.liquid == liquid):
                without.append(liquid)
            else:
                return None
        request = PourRequest(recipe=recipe.recipe, without=tuple(without), instead=tuple(instead))
        if missing(serving(request, recipe, self._book, lambda _: None).needed_ml, shelf):
            return None
        return Offer(without=tuple(without), instead=tuple(instead))


def _phase(phase: Resolved) -> MenuPhase:
    """One phase as people see it."""
    doses = tuple(MenuDose(liquid=liquid, volume_ml=volume_ml) for liquid, volume_ml in phase.doses)
    return MenuPhase(doses=doses, hand=phase.hand)


def _single(recipe: Recipe, book: Book) -> ScaledServing:
    """One serving as the book has it."""
    return serving(PourRequest(recipe=recipe.recipe), recipe, book, lambda _: None)
