"""The menu: what each recipe is, and what stands between it and the glass."""

from collections.abc import Mapping

from controller.errors import Refused
from controller.ledger.store import Container
from controller.metering.density import ethanol_g
from controller.model.book import Book, Recipe
from controller.model.calibration import Calibration
from controller.model.doses import poured_ml, resolve
from controller.model.messages import LineReport
from controller.model.profile import Profile
from controller.model.states import Contents
from controller.model.views import MenuEntry
from controller.sequencing.plan import plan_serving


def lines_by_liquid(reports: Mapping[int, LineReport]) -> dict[str, int]:
    """Liquid -> the line it is to be drawn from: of several the first that is filled with it, else the first."""
    found: dict[str, int] = {}
    ready_last = sorted(reports.values(), key=lambda one: (one.contents == Contents.LIQUID, -one.line))
    for one in ready_last:
        if one.liquid is not None:
            found[one.liquid] = one.line
    return found


def calibrations(reports: Mapping[int, LineReport]) -> dict[int, Calibration]:
    """Line -> calibration, where it fits the liquid that hangs there."""
    return {
        one.line: one.calibration
        for one in reports.values()
        if one.calibration is not None and one.calibration.liquid == one.liquid
    }


def needed_ml(recipe: Recipe, book: Book, times: float) -> dict[str, float]:
    """Liquid -> mL that the recipe takes."""
    needed: dict[str, float] = {}
    for phase in resolve(recipe, book, times):
        for liquid, volume_ml in phase.doses:
            needed[liquid] = needed.get(liquid, 0.0) + volume_ml
    return needed


def missing(
    needed: Mapping[str, float], reports: Mapping[int, LineReport], containers: Mapping[int, Container]
) -> tuple[str, ...]:
    """Why these volumes cannot be drawn now, one sentence each; nothing when they can."""
    where, found = lines_by_liquid(reports), []
    for liquid, volume_ml in needed.items():
        if liquid not in where:
            found.append(f"{liquid}: on no line")
            continue
        report = reports[where[liquid]]
        if report.contents != Contents.LIQUID or report.holds != liquid:
            found.append(f"{liquid}: line {report.line} is not primed with it")
        if report.line not in calibrations(reports):
            found.append(f"{liquid}: line {report.line} is not calibrated with it")
        container = containers.get(report.line)
        if container is not None and container.remaining_ml < volume_ml:
            found.append(
                f"{liquid}: {volume_ml - container.remaining_ml:.0f} mL short, {container.remaining_ml:.0f} mL left"
            )
    return tuple(found)


def entry(
    recipe: Recipe,
    book: Book,
    profile: Profile,
    reports: Mapping[int, LineReport],
    containers: Mapping[int, Container],
) -> MenuEntry:
    """One line of the menu."""
    needed = needed_ml(recipe, book, 1.0)
    volume_ml = poured_ml(resolve(recipe, book))
    grams = sum(ethanol_g(amount_ml, book.liquid(liquid).abv_percent) for liquid, amount_ml in needed.items())
    pure_ml = sum(amount_ml * book.liquid(liquid).abv_percent for liquid, amount_ml in needed.items())
    allergens = {one for liquid in needed for one in book.liquid(liquid).allergens}
    try:
        plan = plan_serving(profile, calibrations(reports), lines_by_liquid(reports), resolve(recipe, book))
        seconds: float | None = plan.makespan_s
    except Refused:
        seconds = None
    return MenuEntry(
        recipe=recipe.recipe,
        glass=recipe.glass,
        volume_ml=volume_ml,
        abv_percent=pure_ml / volume_ml if volume_ml > 0 else 0.0,
        ethanol_g=grams,
        allergens=tuple(sorted(allergens)),
        seconds=seconds,
        missing=missing(needed, reports, containers),
    )
