"""Checks between the parts of an event, and between an event and the book it is poured from."""

import math
import re

from controller.config.book_checks import unknown
from controller.config.diagnostics import Found, Notes
from controller.model.book import Book
from controller.model.event import DAY_S, RESIDUE_ML, TIME_OF_DAY, Arrivals, DrinksPerGuest, OnSale, seconds_between
from controller.quantities import format_time, format_volume, quote

MOST_DRINKS = 10_000  # what one machine pours in a day and more, however small the drinks


def check_event(event: Found, book: Book | None, notes: Notes) -> None:
    """Note everything in an event that contradicts itself or the book; invalid parts are left out."""
    is_timely = _check_times(event, notes)
    _check_drinks(event, notes)
    if is_timely:
        _check_arrivals(event, notes)
    _check_menu(event, book, notes)
    _check_on_sale(event, book, notes)


def _check_times(event: Found, notes: Notes) -> bool:
    """Whether every time of day that is given is one, and the event has a length."""
    before = len(notes.problems)
    for place, name in ((event, "starts"), (event, "ends"), (event.at("arrivals"), "peak_at")):
        text = place.get(name, str)
        if text is not None and not re.fullmatch(TIME_OF_DAY, text):
            notes.add(place.fields[name], name, f'{quote(text)} is not a time of day. Write it as "14:30".')
    starts, ends = event.get("starts", str), event.get("ends", str)
    if starts is not None and starts == ends:
        notes.add(event.fields["ends"], "ends", f"it ends when it starts, at {starts}.")
    return len(notes.problems) == before


def _check_drinks(event: Found, notes: Notes) -> None:
    drinks = event.get("drinks_per_guest", DrinksPerGuest)
    if drinks is None:
        return
    place, subject = event.fields["drinks_per_guest"], "drinks_per_guest"
    if drinks.distribution != "overdispersed" and drinks.standard_deviation is not None:
        text = f"a {drinks.distribution} number of drinks has no standard deviation of its own. Take it out."
        notes.add(place.fields["standard_deviation"], subject, text)
    if drinks.distribution == "overdispersed":
        least = math.sqrt(drinks.mean)
        if drinks.standard_deviation is None:
            text = f"overdispersed needs a standard_deviation; more than {least:.3g}, which poisson has already."
            notes.add(place, subject, text)
        elif drinks.standard_deviation <= least:
            text = (
                f"a standard deviation of {drinks.standard_deviation:g} is not more than the {least:.3g} that poisson "
                f"has at a mean of {drinks.mean:g}. Raise it, or write distribution: poisson."
            )
            notes.add(place.fields["standard_deviation"], subject, text)
    guests = event.get("guests", int)
    if guests is not None and guests * drinks.mean > MOST_DRINKS:
        text = f"{guests} guests with {drinks.mean:g} drinks each are more than {MOST_DRINKS} drinks for one machine."
        notes.add(event.fields["guests"], "guests", text)


def _check_arrivals(event: Found, notes: Notes) -> None:
    arrivals, subject = event.get("arrivals", Arrivals), "arrivals"
    if arrivals is None:
        return
    place = event.fields["arrivals"]
    words = {"peak_at": arrivals.peak_at, "peak_lasts_s": arrivals.peak_lasts_s, "peak_share": arrivals.peak_share}
    if arrivals.profile == "even":
        for field in (name for name, value in words.items() if value is not None):
            notes.add(place.fields[field], subject, 'drinks spread evenly have no peak. Write "profile: peak".')
        return
    missing = [name.removesuffix("_s") for name, value in words.items() if value is None]
    if missing:
        notes.add(place, subject, f"a peak needs {', '.join(missing)} as well.")
        return
    starts, ends = event.get("starts", str), event.get("ends", str)
    if starts is None or ends is None or arrivals.peak_at is None or arrivals.peak_lasts_s is None:
        return
    middle_s, half_s = seconds_between(starts, arrivals.peak_at) % DAY_S, arrivals.peak_lasts_s / 2
    if middle_s < half_s or middle_s + half_s > seconds_between(starts, ends):
        text = (
            f"a peak of {format_time(arrivals.peak_lasts_s)} around {arrivals.peak_at} does not lie within "
            f"{starts} to {ends}."
        )
        notes.add(place.fields["peak_lasts_s"], subject, text)


def _check_menu(event: Found, book: Book | None, notes: Notes) -> None:
    items = event.under("menu")
    if "menu" in event.fields and not items and event.fields["menu"].value is not None:
        notes.add(event.fields["menu"], "menu", "a menu has at least one recipe.")
    known = {one.recipe for one in book.recipes} if book else None
    first: dict[str, Found] = {}
    for item in items:
        recipe = item.get("recipe", str)
        if recipe is None:
            continue
        if known is not None and recipe not in known:
            notes.add(item.fields["recipe"], "menu", unknown(recipe, "recipe", known))
        if first.setdefault(recipe, item) is not item:
            text = f"{quote(recipe)} is on it already, in line {first[recipe].line} of the file. Add the weights up."
            notes.add(item.fields["recipe"], "menu", text)


def _check_on_sale(event: Found, book: Book | None, notes: Notes) -> None:
    residue_ml = event.get("residue_ml", float)
    if residue_ml is None:
        residue_ml = RESIDUE_ML
    known = {one.liquid for one in book.liquids} if book else None
    first: dict[tuple[str, float], Found] = {}
    for item in event.under("on_sale"):
        liquid, sold = item.get("liquid", str), item.valid(OnSale)
        if liquid is not None and known is not None and liquid not in known:
            notes.add(item.fields["liquid"], "on_sale", unknown(liquid, "liquid", known))
        if sold is None:
            continue
        if first.setdefault((sold.liquid, sold.container_ml), item) is not item:
            notes.add(item.fields["container_ml"], "on_sale", f"{quote(sold.liquid)} is listed in this size already.")
        if sold.container_ml <= residue_ml:
            text = f"the suction tube leaves {format_volume(residue_ml)} in it; nothing can be drawn from this size."
            notes.add(item.fields["container_ml"], "on_sale", text)
    if book is not None:
        _check_sizes(event, book, {liquid for liquid, _ in first}, notes)


def _check_sizes(event: Found, book: Book, sold: set[str], notes: Notes) -> None:
    """Every liquid of the menu must come in some container, and hang on a line where the lines are fixed."""
    hung = {one.liquid for one in book.lines}
    is_free = event.get("lines", str) == "free"
    known = (sold if is_free else set()) | hung
    recipes = {one.recipe: one for one in book.recipes}
    for item in event.under("menu"):
        recipe = recipes.get(item.get("recipe", str) or "")
        if recipe is None:
            continue
        needed = dict.fromkeys(dose.liquid for phase in recipe.phases for dose in phase.doses)
        for liquid in (one for one in needed if one not in known):
            known.add(liquid)
            remedy = "Say under on_sale what containers it comes in." if is_free else "Hang it, or write lines: free."
            text = f"{liquid} is on no line of the book. {remedy}"
            notes.add(item, f"recipe {recipe.recipe}", text)
