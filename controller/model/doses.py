"""What a recipe comes to: every dose in mL, phase by phase."""

from collections.abc import Collection, Mapping

from msgspec.structs import replace

from controller.model.book import Book, Dose, Recipe
from controller.model.fields import Value


class Resolved(Value, frozen=True, kw_only=True):
    """One phase with its volumes: doses as (liquid, mL), or a hand step and the room it takes."""

    doses: tuple[tuple[str, float], ...]
    hand: str | None
    takes_ml: float
    within_s: float | None = None  # how long the hand step may take
    may_join: bool = False  # it may pour together with the phase before


def resolve(recipe: Recipe, book: Book, times: float = 1.0) -> tuple[Resolved, ...]:
    """The recipe's phases in mL, doses scaled by times (> 0); ice and the like are not scaled.

    Parts share what the total (default: the glass's usable volume less the room of hand steps) leaves after the doses
    given as volumes. A dose that fills to a mark gets what is missing after all before it. A result may be <= 0 when a
    recipe asks for more than there is; the loader refuses such recipes. KeyError for a glass the book does not list.
    """
    takes_ml = sum(phase.takes_ml for phase in recipe.phases)
    total_ml = recipe.total_ml if recipe.total_ml is not None else book.glass(recipe.glass).usable_ml - takes_ml
    doses = [dose for phase in recipe.phases for dose in phase.doses]
    shared_ml = total_ml - sum(dose.volume_ml or 0.0 for dose in doses)
    parts = sum(dose.parts or 0.0 for dose in doses)
    contents_ml = 0.0
    found = []
    for phase in recipe.phases:
        contents_ml += phase.takes_ml
        volumes = []
        for dose in phase.doses:
            volume_ml = _volume_ml(dose, shared_ml, parts, contents_ml)
            contents_ml += volume_ml
            volumes.append((dose.liquid, volume_ml * times))
        found.append(
            Resolved(
                doses=tuple(volumes),
                hand=phase.hand,
                takes_ml=phase.takes_ml,
                within_s=phase.within_s,
                may_join=phase.order == "wish",
            )
        )
    return tuple(found)


def _volume_ml(dose: Dose, shared_ml: float, parts: float, contents_ml: float) -> float:
    if dose.volume_ml is not None:
        return dose.volume_ml
    if dose.parts is not None:
        return shared_ml * dose.parts / parts
    return (dose.fill_to_ml or 0.0) - contents_ml


def varied(recipe: Recipe, without: Collection[str] = (), instead: Mapping[str, str] | None = None) -> Recipe:
    """The recipe without its optional doses of these liquids, and with other liquids where a dose allows them.

    What a dose does not allow is not done. A phase that is left with nothing to pour is left out.
    """
    phases = []
    for phase in recipe.phases:
        kept = [
            _replaced(dose, instead or {}) for dose in phase.doses if not (dose.optional and dose.liquid in without)
        ]
        if kept or not phase.doses:
            phases.append(replace(phase, doses=tuple(kept)))
    return replace(recipe, phases=tuple(phases))


def _replaced(dose: Dose, instead: Mapping[str, str]) -> Dose:
    by = instead.get(dose.liquid)
    return replace(dose, liquid=by) if by in dose.substitutes and by is not None else dose


def poured_ml(phases: tuple[Resolved, ...]) -> float:
    """All doses together, mL."""
    return sum(volume_ml for phase in phases for _, volume_ml in phase.doses)


def glass_ml(phases: tuple[Resolved, ...]) -> float:
    """What the glass must hold: doses and hand steps, mL."""
    return poured_ml(phases) + sum(phase.takes_ml for phase in phases)
