"""The menu: what each recipe is, and what stands between it and the glass."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from msgspec.structs import replace

from controller.engine.background import NotYet, Work
from controller.engine.scaling import ScaledServing, serving
from controller.engine.stock_uncertainty import SURE, sure_ml
from controller.engine.worker import Call
from controller.errors import Refused
from controller.ledger.records import Container
from controller.model.book import Book, Recipe
from controller.model.calibration import Calibration
from controller.model.doses import Resolved, glass_ml
from controller.model.fields import like
from controller.model.labels import GlassSize
from controller.model.messages import LineReport, Refusal
from controller.model.plan import Segment
from controller.model.profile import Profile
from controller.model.remark import Remark, RemarkCode
from controller.model.requests import PourRequest
from controller.model.standard_drinks import standard_drinks
from controller.model.states import Contents
from controller.model.views import MenuDose, MenuEntry, MenuPhase, Offer, Swap
from controller.sequencing.plan import Plan, plan_serving
from controller.sequencing.twins import LEAST_SHARE_ML, Source

Verdict = Callable[[str, Sequence[Segment]], tuple[Refusal, ...]]  # glass, plan -> what the guard would refuse of it


@dataclass(frozen=True, kw_only=True)
class Shelf:
    """What the machine has at this moment: lines by the guard's report, containers, and lines that may not serve."""

    reports: Mapping[int, LineReport]
    containers: Mapping[int, Container]
    overdue: Mapping[int, tuple[Remark, ...]] = field(default_factory=dict)
    out_of_service: Mapping[int, str] = field(default_factory=dict)
    low_lines: tuple[int, ...] = ()  # by their level contacts
    least_ml: Mapping[int, float] = field(default_factory=dict)  # line -> the smallest share that twins may ask of it
    glasses: tuple[GlassSize, ...] = ()  # those that count as smaller than the book has them


def sources_for(needed: Mapping[str, float], shelf: Shelf) -> dict[str, tuple[Source, ...]]:
    """Liquid -> the lines to draw this much of it (mL) from: all that are ready for it and agree on what it is.

    Where none is ready it is the one with the fewest obstacles, then the first.
    """
    found = {}
    for liquid, volume_ml in needed.items():
        lines = sorted(one.line for one in shelf.reports.values() if one.liquid == liquid)
        ready = [line for line in lines if not _obstacles(liquid, line, shelf)]
        ready.sort(key=lambda line: _left_ml(line, shelf) < volume_ml)
        twins = [line for line in ready if _figures(liquid, line, shelf) == _figures(liquid, ready[0], shelf)]
        if twins:
            found[liquid] = tuple(_source(line, volume_ml, shelf) for line in twins)
        elif lines:
            found[liquid] = (Source(line=min(lines, key=lambda line: len(_obstacles(liquid, line, shelf)))),)
    return found


def _source(line: int, volume_ml: float, shelf: Shelf) -> Source:
    left_ml = _left_ml(line, shelf)  # a plan is kept for as long as its sources are equal: plenty is plenty
    least_ml = shelf.least_ml.get(line, LEAST_SHARE_ML)
    return Source(line=line, least_ml=least_ml, most_ml=math.inf if left_ml >= volume_ml else left_ml)


def _left_ml(line: int, shelf: Shelf) -> float:
    """What its container surely holds, mL."""
    container = shelf.containers.get(line)
    return math.inf if container is None else sure_ml(container)


def _figures(liquid: str, line: int, shelf: Shelf) -> set[tuple[float, tuple[str, ...], str | None]]:
    """Strength, allergens and care that books before had for this liquid on this line, where they were stricter."""
    labels = shelf.reports[line].labels
    return {(one.abv_percent, one.allergens, one.care) for one in labels if one.liquid == liquid}


def calibrations(reports: Mapping[int, LineReport]) -> dict[int, Calibration]:
    """Line -> calibration, where it fits the liquid that hangs there."""
    return {
        one.line: one.calibration
        for one in reports.values()
        if one.calibration is not None and one.calibration.liquid == one.liquid
    }


def missing(needed: Mapping[str, float], shelf: Shelf) -> tuple[Remark, ...]:
    """Why these volumes (liquid -> mL) cannot be drawn now, one remark each; nothing when they can."""
    where = sources_for(needed, shelf)
    found: list[Remark] = []
    for liquid, volume_ml in needed.items():
        if liquid not in where:
            by_stock = [one.line for one in shelf.containers.values() if one.liquid == liquid]
            reasons = [reason for line in by_stock for reason in shelf.overdue.get(line, ())]
            disputed = [replace(reason, text=f"{liquid}: {reason.text}") for reason in reasons]
            found += disputed or [_lacks("nowhere", liquid, "on no line")]
        else:
            found += _obstacles(liquid, where[liquid][0].line, shelf)
            found += _short(liquid, volume_ml, [one.line for one in where[liquid]], shelf)
    return tuple(found)


def too_large(served: ScaledServing, shelf: Shelf) -> tuple[str, ...]:
    """Why the glass may not take this serving, where the book has it larger than anybody has confirmed."""
    return tuple(
        f"the {size.glass} counts as {size.usable_ml:.0f} mL until somebody confirms that it is larger: tundish reload"
        for size in shelf.glasses
        if size.glass == served.glass and glass_ml(served.phases) > size.usable_ml
    )


def _lacks(code: RemarkCode, liquid: str, what: str, **values: float | str) -> Remark:
    return Remark(code=code, text=f"{liquid}: {what}", values={"liquid": liquid, **values})


def _obstacles(liquid: str, line: int, shelf: Shelf) -> list[Remark]:
    report, found = shelf.reports[line], list[Remark]()
    if line in shelf.out_of_service:
        found.append(Remark(code="wrong_pump", text=shelf.out_of_service[line], values={"line": line}))
    match report.contents:
        case Contents.CLEANER:
            found.append(_lacks("cleaner", liquid, f"line {line}: rinse due", line=line))
        case Contents.UNKNOWN:
            found.append(_lacks("unknown", liquid, f"line {line}: purge due", line=line))
        case Contents.LIQUID if (holds := report.holds or "") != liquid:
            found.append(_lacks("foreign", liquid, f"line {line} still holds {holds}", line=line, holds=holds))
        case Contents.EMPTY | Contents.RINSE_WATER:
            found.append(_lacks("unprimed", liquid, f"line {line} is not primed with it", line=line))
    if not found and line not in calibrations(shelf.reports):  # a line is calibrated with what it holds
        found.append(_lacks("uncalibrated", liquid, f"line {line} is not calibrated with it", line=line))
    found += shelf.overdue.get(line, ())
    if line in shelf.low_lines:
        found.append(_lacks("low", liquid, f"the container on line {line} is low", line=line))
    return found


def _short(liquid: str, volume_ml: float, lines: Sequence[int], shelf: Shelf) -> list[Remark]:
    """What the containers on these lines lack together."""
    short_ml = volume_ml - sum(_left_ml(line, shelf) for line in lines)
    if short_ml <= 0.0:
        return []
    containers = [shelf.containers[line] for line in lines]
    give_ml = SURE * sum(one.u_ml for one in containers)
    give = f", give or take {give_ml:.0f} mL" if give_ml >= 0.5 else ""
    left_ml = sum(one.remaining_ml for one in containers)
    text = f"{short_ml:.0f} mL short, {left_ml:.0f} mL left{give}"
    return [_lacks("short", liquid, text, short_ml=short_ml, left_ml=left_ml, give_ml=give_ml)]


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
        allergens = single.allergens(self._book)
        country = self._profile.standard_drink
        lacks = missing(single.needed_ml, shelf)
        hung = {one.liquid for one in shelf.reports.values()}
        planned, refused = self._plan(single, shelf), (*(one.text for one in lacks), *too_large(single, shelf))
        if planned is not None and not refused:
            refused = tuple(one.reason for one in verdict(single.glass, planned.segments))
        return like(
            MenuEntry,
            recipe,
            mixture,
            volume_ml=mixture.poured_ml,
            allergens=tuple(sorted(allergens)),
            liquids=tuple(single.needed_ml),
            may_contain=tuple(sorted(on_the_machine(self._book, shelf) - allergens)),
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

    def _plan(self, single: ScaledServing, shelf: Shelf) -> Plan | None:
        sources, known = sources_for(single.needed_ml, shelf), calibrations(shelf.reports)
        facts = (sources, [known.get(one.line) for twins in sources.values() for one in twins])
        kept = self._plans.get(single.recipe)
        if kept is None or kept[0] != facts:
            try:
                planned: Plan | None = self._work(plan_serving, self._profile, known, sources, single.phases)
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


def on_the_machine(book: Book, shelf: Shelf) -> set[str]:
    """Allergens of everything that shares the funnel: what hangs on lines, what stands in them, and traces."""
    liquids = {liquid for one in shelf.reports.values() for liquid in (one.liquid, one.holds, *one.residues)}
    liquids |= {one.liquid for one in shelf.containers.values()}
    of_liquids = {allergen for one in book.liquids if one.liquid in liquids for allergen in one.allergens}
    return of_liquids | {allergen for one in shelf.reports.values() for allergen in one.traces}


def _phase(phase: Resolved) -> MenuPhase:
    """One phase as people see it."""
    doses = tuple(MenuDose(liquid=liquid, volume_ml=volume_ml) for liquid, volume_ml in phase.doses)
    return MenuPhase(doses=doses, hand=phase.hand)


def _single(recipe: Recipe, book: Book) -> ScaledServing:
    """One serving as the book has it."""
    return serving(PourRequest(recipe=recipe.recipe), recipe, book, lambda _: None)
