"""Checks of what recipes come to: against the glass, and against what the machine may pour."""

import math

from controller.config.diagnostics import Found, Notes
from controller.config.machine import KnownMachine
from controller.metering.density import ethanol_g
from controller.model.book import Book, Dose, Glass, Liquid, OnLine, Recipe
from controller.model.doses import Resolved, glass_ml, poured_ml, resolve, varied
from controller.model.profile import Caps
from controller.quantities import format_mass, format_time, format_volume, quote

_ROUNDING_ML = 1e-6  # sums of doses may miss their total by so much


def check_volumes(found: Found, book: Found, machine: KnownMachine, notes: Notes) -> None:
    """Note a recipe that does not fit its glass, leaves nothing for a dose, or can never be poured within the caps."""
    recipe = found.valid(Recipe)
    if recipe is None or not _is_whole(recipe):
        return
    glasses = [glass for one in book.under("glasses") if (glass := one.valid(Glass)) and glass.glass == recipe.glass]
    if not glasses:
        return
    parts_only = Book(title="", liquids=(), glasses=(glasses[0],), recipes=(), lines=())
    phases = resolve(recipe, parts_only)
    before = len(notes.problems)
    _check_parts(found, recipe, phases, notes)
    _check_marks(found, recipe, glasses[0], phases, notes)
    if len(notes.problems) > before:
        return
    held_ml = glass_ml(phases)
    if held_ml > glasses[0].usable_ml + _ROUNDING_ML:
        text = (
            f"it comes to {format_volume(held_ml)}, hand steps included, but a {recipe.glass} is used up to "
            f"{format_volume(glasses[0].usable_ml)}: {format_volume(held_ml - glasses[0].usable_ml)} too much. "
            "Pour less or take a larger glass."
        )
        notes.add(found.at("total_ml"), f"recipe {recipe.recipe}", text)
    if machine.caps is not None:
        _check_caps(found, book, phases, machine.caps, notes)
        if len(notes.problems) == before:
            _check_most(found, book, phases, notes, machine=machine, glass=glasses[0])
        _check_substitutes(found, book, recipe, notes, glasses=parts_only, caps=machine.caps)
        _check_times(found, phases, _flows(book, machine), machine.caps, notes)


def _is_whole(recipe: Recipe) -> bool:
    """Whether every phase and dose says one thing; what does not has been noted."""
    return any(phase.doses for phase in recipe.phases) and all(
        _ways(dose) == 1 for phase in recipe.phases for dose in phase.doses
    )


def _ways(dose: Dose) -> int:
    return sum(way is not None for way in (dose.volume_ml, dose.parts, dose.fill_to_ml))


def _check_parts(found: Found, recipe: Recipe, phases: tuple[Resolved, ...], notes: Notes) -> None:
    name = f"recipe {recipe.recipe}"
    doses = [dose for phase in recipe.phases for dose in phase.doses]
    sharing = [dose for dose in doses if dose.parts is not None]
    if recipe.total_ml is not None and not sharing:
        text = "total is what parts share, and no dose has parts. Take it out, or give doses in parts."
        notes.add(found.fields["total_ml"], name, text)
    by_volume_ml = sum(dose.volume_ml or 0.0 for dose in doses)
    shared_ml = sum(
        volume_ml
        for phase, resolved in zip(recipe.phases, phases, strict=True)
        for dose, (_, volume_ml) in zip(phase.doses, resolved.doses, strict=True)
        if dose.parts is not None
    )
    if sharing and shared_ml <= _ROUNDING_ML:
        text = (
            f"its doses by volume take {format_volume(by_volume_ml)} of {format_volume(by_volume_ml + shared_ml)}; "
            "nothing is left for the parts to share. Raise total or pour less by volume."
        )
        notes.add(found.at("total_ml"), name, text)


def _check_marks(found: Found, recipe: Recipe, glass: Glass, phases: tuple[Resolved, ...], notes: Notes) -> None:
    for phase, part, resolved in zip(recipe.phases, found.under("phases"), phases, strict=True):
        for dose, place, (_, volume_ml) in zip(phase.doses, part.under("doses"), resolved.doses, strict=True):
            if dose.fill_to_ml is None:
                continue
            subject, mark = f"dose of {dose.liquid}", format_volume(dose.fill_to_ml)
            if dose.fill_to_ml > glass.usable_ml + _ROUNDING_ML:
                text = f"it fills to {mark}, but a {glass.glass} is used up to {format_volume(glass.usable_ml)}."
                notes.add(place.fields["fill_to_ml"], subject, text)
            if volume_ml <= _ROUNDING_ML:
                there = format_volume(dose.fill_to_ml - volume_ml)
                text = f"it fills to {mark}, but {there} are in the glass by then. Fill higher or pour less before."
                notes.add(place.fields["fill_to_ml"], subject, text)


def _check_caps(found: Found, book: Found, phases: tuple[Resolved, ...], caps: Caps, notes: Notes) -> None:
    """A single serving must pass; doubles are the guard's business."""
    name = f"recipe {found.get('recipe', str)}"
    poured = poured_ml(phases)
    if poured > caps.serving_volume_ml + _ROUNDING_ML:
        text = (
            f"a single pours {format_volume(poured)}, the machine's cap serving_volume is "
            f"{format_volume(caps.serving_volume_ml)}: it could never be poured. Pour less."
        )
        notes.add(found.at("total_ml"), name, text)
    grams = _grams(book, phases)
    if grams > caps.serving_ethanol_g:
        text = (
            f"a single holds {format_mass(grams)} of ethanol, the machine's cap serving_ethanol is "
            f"{format_mass(caps.serving_ethanol_g)}: it could never be poured. Pour less of what is strong."
        )
        notes.add(found, name, text)


def _check_most(
    found: Found, book: Found, phases: tuple[Resolved, ...], notes: Notes, *, machine: KnownMachine, glass: Glass
) -> None:
    """The guard counts by the upper edge of each pump's flow; said here for pumps that move their nominal flow."""
    most = _of_lines(book, machine.most)
    if machine.caps is None or not most:
        return
    doses = [(liquid, volume_ml) for phase in phases for liquid, volume_ml in phase.doses]
    worst_ml = sum(volume_ml * most.get(liquid, 1.0) for liquid, volume_ml in doses)
    strengths = {liquid.liquid: liquid.abv_percent for one in book.under("liquids") if (liquid := one.valid(Liquid))}
    grams = sum(ethanol_g(ml * most.get(liquid, 1.0), strengths.get(liquid, 0.0)) for liquid, ml in doses if ml > 0)
    taken_ml = glass_ml(phases) - poured_ml(phases)
    caps = machine.caps
    limits = (
        (worst_ml > caps.serving_volume_ml, format_volume(worst_ml), "serving_volume", caps.serving_volume_ml),
        (worst_ml + taken_ml > glass.brim_ml, format_volume(worst_ml + taken_ml), "brim", glass.brim_ml),
    )
    over = [f"{much}, the {name} is {format_volume(limit)}" for is_over, much, name, limit in limits if is_over]
    if grams > caps.serving_ethanol_g:
        over.append(f"{format_mass(grams)} of ethanol, the serving_ethanol is {format_mass(caps.serving_ethanol_g)}")
    if over:
        text = (
            f"at the upper edge of its pumps' flow a single may come to {'; '.join(over)}: it will be refused. State "
            "each line's flow as `tundish calibration` prints it, or pour less."
        )
        notes.warn(found, f"recipe {found.get('recipe', str)}", text)


def _check_substitutes(found: Found, book: Found, recipe: Recipe, notes: Notes, *, glasses: Book, caps: Caps) -> None:
    """What may be asked for should be within the caps too; unlike the recipe itself it need not be."""
    for dose in (dose for phase in recipe.phases for dose in phase.doses):
        for other in dose.substitutes:
            grams = _grams(book, resolve(varied(recipe, instead={dose.liquid: other}), glasses))
            if grams > caps.serving_ethanol_g:
                text = (
                    f"with {other} instead of {dose.liquid} a single holds {format_mass(grams)} of ethanol, the "
                    f"machine's cap serving_ethanol is {format_mass(caps.serving_ethanol_g)}: that will be refused."
                )
                notes.warn(found, f"recipe {recipe.recipe}", text)


def _grams(book: Found, phases: tuple[Resolved, ...]) -> float:
    """Ethanol of all doses, g."""
    strengths = {liquid.liquid: liquid.abv_percent for one in book.under("liquids") if (liquid := one.valid(Liquid))}
    doses = [dose for phase in phases for dose in phase.doses]
    return sum(ethanol_g(volume_ml, strengths.get(liquid, 0.0)) for liquid, volume_ml in doses if volume_ml > 0)


def _check_times(
    found: Found, phases: tuple[Resolved, ...], flows_ml_s: dict[str, float], caps: Caps, notes: Notes
) -> None:
    """A hand step has a cap. A dose longer than one run may last will be refused; only calibrated flows are certain."""
    for part, resolved in zip(found.under("phases"), phases, strict=True):
        if resolved.within_s is not None and resolved.within_s > caps.hand_step_s:
            text = (
                f"it may take {format_time(resolved.within_s)}, the machine's cap hand_step is "
                f"{format_time(caps.hand_step_s)}. Give it less time."
            )
            notes.add(part.at("within_s"), f"hand step {quote(resolved.hand or '')}", text)
        for place, (liquid, volume_ml) in zip(part.under("doses"), resolved.doses, strict=True):
            run_s = volume_ml / flows_ml_s.get(liquid, math.inf)
            if run_s > caps.run_on_s:
                text = (
                    f"{format_volume(volume_ml)} take about {format_time(run_s)} at the pump's nominal flow, the cap "
                    f"run_on is {format_time(caps.run_on_s)}. Pour less, or hang it on a faster line."
                )
                notes.warn(place, f"dose of {liquid}", text)


def _flows(book: Found, machine: KnownMachine) -> dict[str, float]:
    """Liquid -> the greatest nominal flow (mL/s) of the lines it hangs on."""
    return _of_lines(book, machine.flows_ml_s, unknown=math.inf)


def _of_lines(book: Found, figures: dict[int, float] | None, unknown: float = 1.0) -> dict[str, float]:
    """Liquid -> the greatest figure of the lines it hangs on."""
    found: dict[str, float] = {}
    for one in book.under("lines"):
        hung = one.valid(OnLine)
        if hung:
            found[hung.liquid] = max((figures or {}).get(hung.line, unknown), found.get(hung.liquid, 0.0))
    return found
