"""Checks between the parts of a book, and between a book and the machine that is to pour it."""

import re
from collections.abc import Iterable
from contextlib import suppress
from difflib import get_close_matches
from itertools import combinations

from controller.config.diagnostics import Found, Notes
from controller.config.machine import KnownMachine
from controller.config.recipe_checks import check_volumes
from controller.errors import OutOfRange, Refused
from controller.metering.density import liquid_kg_m3
from controller.model.book import Glass, Liquid
from controller.quantities import format_volume, quote, reserved_words

MUCH = 0.01  # of the density: from here on what is not known of it costs more than all the rest

LISTED = 5  # recipes that a warning names; the rest are counted


def check_book(book: Found, machine: KnownMachine, notes: Notes, *, lines_are_free: bool = False) -> None:
    """Note everything in a book that contradicts itself or the machine; invalid parts are left out.

    lines_are_free: liquids are yet to be hung, so that no recipe waits for one.
    """
    for part in ("liquid", "glass", "recipe", "measure"):
        _check_names(book, part, notes)
    _check_measures(book, notes)
    for liquid in book.under("liquids"):
        _check_liquid(liquid, notes)
    _warn_of_density(book, notes)
    _warn_of_keeping(book, notes)
    for glass in book.under("glasses"):
        _check_glass(glass, notes)
    _warn_of_alike(book, notes)
    _check_lines(book, machine, notes)
    liquids, glasses = _names(book.under("liquids"), "liquid"), _names(book.under("glasses"), "glass")
    for recipe in book.under("recipes"):
        _check_recipe(recipe, liquids, glasses, notes)
        check_volumes(recipe, book, machine, notes)
    if not lines_are_free:
        _warn_of_waiting(book, liquids, notes)


def _names(items: Iterable[Found], field: str) -> set[str]:
    """The names in this field, those of invalid items too, so that one mistake is not noted everywhere."""
    return {name for item in items if (name := item.get(field, str)) is not None}


def _check_names(book: Found, part: str, notes: Notes) -> None:
    """Names must differ by more than capital letters, so that people can ask for them as they like."""
    plural = {"glass": "glasses"}.get(part, f"{part}s")
    items = book.under(plural)
    if part != "measure" and plural in book.fields and not items and book.fields[plural].value is not None:
        notes.add(book.fields[plural], plural, f"a book has at least one {part}.")
    first: dict[str, Found] = {}
    for item in items:
        name = item.get(part, str)
        if name is not None and (other := first.setdefault(name.lower(), item)) is not item:
            text = f"this name stands twice; first in line {other.fields[part].line} of the file."
            notes.add(item.fields[part], f"{part} {name}", text)


def _check_measures(book: Found, notes: Notes) -> None:
    for measure in book.under("measures"):
        name = measure.get("measure", str)
        if name is None:
            continue
        if not re.fullmatch(r"[A-Za-z][A-Za-z_]*", name):
            notes.add(
                measure.fields["measure"], "measure", f"{quote(name)} must be one word of letters and underscores."
            )
        elif name in reserved_words() or name.lower() in reserved_words():
            notes.add(measure.fields["measure"], "measure", f"{quote(name)} already means something else. Rename it.")


def _check_liquid(found: Found, notes: Notes) -> None:
    liquid = found.valid(Liquid)
    if liquid is None:
        return
    subject = f"liquid {liquid.liquid}"
    ways = [
        field
        for field in ("density_kg_m3", "hydrometer_kg_m3", "weighed_100_ml_g", "brix")
        if getattr(liquid, field) is not None
    ]
    if len(ways) > 1:
        names = " and ".join(field.removesuffix("_kg_m3").removesuffix("_g") for field in ways)
        notes.add(found.fields[ways[-1]], subject, f"{names} are both given. Keep the one that was measured.")
    try:
        for temperature_c in (20.0, liquid.served_at_c):
            liquid_kg_m3(liquid, temperature_c)
    except OutOfRange as error:
        field = {"brix": "brix", "abv_percent": "abv_percent", "temperature_c": "served_at_c"}.get(error.name, "liquid")
        notes.add(found.at(field), subject, f"{error}.")
    except Refused as error:
        notes.add(found.at("abv_percent"), subject, f"{error.reason} {error.remedy}")


def _warn_of_density(book: Found, notes: Notes) -> None:
    """One warning for all liquids whose density is a guess, with the figure that it costs."""
    valid = [liquid for one in book.under("liquids") if (liquid := one.valid(Liquid))]
    costs = []
    for liquid in valid:
        with suppress(OutOfRange, Refused):  # reported with the liquid
            density, u_density = liquid_kg_m3(liquid, 20.0)
            if u_density > MUCH * density:
                costs.append(f"{liquid.liquid} {2.0 * 50.0 * u_density / density:.1f} mL")
    if costs:
        text = (
            f"the density of these is not known; a calibrated dose of 50 mL may be off by so much: {', '.join(costs)}. "
            "Write what a hydrometer shows (hydrometer: 1046 kg/m3), what 100 mL weigh (weighed_100_ml: 104.2 g), or, "
            "of what has no alcohol, what a refractometer shows (brix: 11 %)."
        )
        notes.warn(book.fields["liquids"], "liquids", text)


def _warn_of_keeping(book: Found, notes: Notes) -> None:
    """One warning for all liquids of which nobody has said how they keep: that is asked, not assumed."""
    valid = [liquid for one in book.under("liquids") if (liquid := one.valid(Liquid))]
    unsaid = [one.liquid for one in valid if one.opened_life_s is None and one.care is None]
    if unsaid:
        text = (
            f"how do these keep: {', '.join(unsaid)}? Until the book says it, their lines count as perishable and are "
            'due for cleaning after hours. Read the label and write opened_life, such as "3 days", and care.'
        )
        notes.warn(book.fields["liquids"], "liquids", text)


def _check_glass(found: Found, notes: Notes) -> None:
    glass = found.valid(Glass)
    if glass and glass.usable_ml > glass.brim_ml:
        text = f"{format_volume(glass.usable_ml)} usable is more than the {format_volume(glass.brim_ml)} to the brim."
        notes.add(found.fields["usable_ml"], f"glass {glass.glass}", text)


def _warn_of_alike(book: Found, notes: Notes) -> None:
    """Glasses that no scale can tell apart are held to the smaller brim."""
    weighed = [(one, glass) for one in book.under("glasses") if (glass := one.valid(Glass)) and glass.tare_g]
    for (_, first), (found, second) in combinations(weighed, 2):
        apart_g = abs((first.tare_g or 0.0) - (second.tare_g or 0.0))
        if apart_g <= first.tare_tolerance_g + second.tare_tolerance_g:
            text = (
                f"empty it weighs within {apart_g:.0f} g of the {first.glass}: a scale cannot tell them apart, and "
                "both are filled as the smaller one may be. Narrow the tolerances if the glasses allow it."
            )
            notes.warn(found.fields["tare_g"], f"glass {second.glass}", text)


def _check_lines(book: Found, machine: KnownMachine, notes: Notes) -> None:
    liquids = _names(book.under("liquids"), "liquid")
    there = machine.flows_ml_s
    first: dict[int, Found] = {}
    for item in book.under("lines"):
        number, liquid = item.get("line", int), item.get("liquid", str)
        subject = f"line {number}" if number is not None else "a line"
        if number is not None and (other := first.setdefault(number, item)) is not item:
            text = f"it has a liquid already, in line {other.fields['line'].line} of the file."
            notes.add(item.fields["line"], subject, text)
        if number is not None and there is not None and number not in there:
            text = f"the machine has no such line; it has {', '.join(map(str, sorted(there)))}."
            notes.add(item.fields["line"], subject, text)
        if liquid is not None and liquid not in liquids:
            notes.add(item.fields["liquid"], subject, unknown(liquid, "liquid", liquids))


def _check_recipe(recipe: Found, liquids: set[str], glasses: set[str], notes: Notes) -> None:
    name = f"recipe {recipe.get('recipe', str) or '?'}"
    glass = recipe.get("glass", str)
    if glass is not None and glass not in glasses:
        notes.add(recipe.fields["glass"], name, unknown(glass, "glass", glasses))
    phases = recipe.under("phases")
    is_sound = "phases" in recipe.fields and recipe.fields["phases"].value is not None
    if is_sound and not any(phase.under("doses") for phase in phases):
        notes.add(recipe.fields["phases"], name, "it pours nothing; give it at least one phase with doses.")
    for number, phase in enumerate(phases, start=1):
        _check_phase(phase, f"{name} phase {number}", notes)
        if "order" in phase.fields and (number == 1 or phases[number - 2].fields.get("hand")):
            text = "there are no doses right before it that it could follow or join. Take order out."
            notes.add(phase.fields["order"], f"{name} phase {number}", text)
        _check_doses(phase, liquids, notes)
    doses = [dose for phase in phases for dose in phase.under("doses")]
    if doses and all(dose.get("optional", bool) for dose in doses):
        text = "every dose is optional, so that nothing need be poured. Make one of them a part of the drink."
        notes.add(recipe.fields["phases"], name, text)


def _check_phase(phase: Found, subject: str, notes: Notes) -> None:
    doses, hand = phase.fields.get("doses"), phase.fields.get("hand")
    if doses and hand:
        notes.add(hand, subject, "it has both doses and a hand step. Make two phases of it.")
    elif not hand and (not doses or (doses.value is not None and not doses.items)):
        notes.add(phase, subject, "it has neither doses nor a hand step. Give it one of the two.")
    if "takes_ml" in phase.fields and not hand:
        notes.add(phase.fields["takes_ml"], subject, "only a hand step takes room in the glass. Take this out.")
    if "within_s" in phase.fields and not hand:
        notes.add(phase.fields["within_s"], subject, "only a hand step has a time of its own. Take this out.")
    if "order" in phase.fields and hand:
        notes.add(phase.fields["order"], subject, "a hand step always comes in its place. Take order out.")


def _check_doses(phase: Found, liquids: set[str], notes: Notes) -> None:
    first: dict[str, Found] = {}
    for dose in phase.under("doses"):
        liquid = dose.get("liquid", str)
        subject = f"dose of {liquid}" if liquid is not None else "dose"
        given = [dose.fields[field] for field in ("volume_ml", "parts", "fill_to_ml") if field in dose.fields]
        if not given:
            notes.add(dose, subject, "how much is not said. Give it one of volume, parts, fill_to.")
        elif len(given) > 1:
            notes.add(given[1], subject, "how much is said more than once. Keep one of volume, parts, fill_to.")
        if liquid is None:
            continue
        if liquid not in liquids:
            notes.add(dose.fields["liquid"], subject, unknown(liquid, "liquid", liquids))
        if first.setdefault(liquid, dose) is not dose:
            text = f"this phase has one already, in line {first[liquid].line} of the file. Add them up."
            notes.add(dose.fields["liquid"], subject, text)
        _check_substitutes(dose, liquid, liquids, notes)


def _warn_of_waiting(book: Found, liquids: set[str], notes: Notes) -> None:
    """One warning for all recipes that need a liquid on no line: a book may hold more than a machine can hang."""
    absent = liquids - _names(book.under("lines"), "liquid")
    waiting = []
    for recipe in book.under("recipes"):
        doses = [dose for phase in recipe.under("phases") for dose in phase.under("doses")]
        needs = dict.fromkeys(liquid for dose in doses if (liquid := _needs(dose, absent)))
        if needs:
            waiting.append(f"{recipe.get('recipe', str)} ({', '.join(needs)})")
    if waiting:
        more = f" and {len(waiting) - LISTED} more" if len(waiting) > LISTED else ""
        text = f"{len(waiting)} of {len(book.under('recipes'))} need a liquid that hangs on no line, and wait for it: "
        notes.warn(book.fields["recipes"], "recipes", f"{text}{', '.join(waiting[:LISTED])}{more}.")


def _needs(dose: Found, absent: set[str]) -> str | None:
    """The absent liquid that this dose cannot do without; None when it can be had, replaced or left out."""
    liquid, others = dose.get("liquid", str), {one.valid(str) for one in dose.under("substitutes")}
    return liquid if liquid in absent and others <= absent and not dose.get("optional", bool) else None


def _check_substitutes(dose: Found, liquid: str, liquids: set[str], notes: Notes) -> None:
    seen = {liquid}
    for item in dose.under("substitutes"):
        name, subject = item.valid(str), f"dose of {liquid}"
        if name is None:
            continue
        if name not in liquids:
            notes.add(item, subject, unknown(name, "liquid", liquids))
        elif name in seen:
            notes.add(item, subject, f"{quote(name)} as a substitute changes nothing. Take it out.")
        seen.add(name)


def unknown(name: str, part: str, names: set[str]) -> str:
    """Text for a name that the book does not list."""
    near = get_close_matches(name, names, n=1, cutoff=0.6)
    known = f"Did you mean {quote(near[0])}?" if near else f"Listed: {', '.join(sorted(names)) or 'none'}."
    return f"the book lists no {part} {quote(name)}. {known}"
