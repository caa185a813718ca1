"""`tundish menu`: what can be poured now, what needs something, and what is in it."""

from collections.abc import Sequence

import click

from controller.cli.options import Session, session_options, table
from controller.errors import TundishError
from controller.model.views import MenuEntry, Offer

WAITING = 8  # recipes that wait for a liquid on no line, of which the menu shows so many


@click.command()
@click.argument("words", nargs=-1)
@session_options
def menu(session: Session, *, words: tuple[str, ...]) -> None:
    """Show what can be poured now, and why not. WORDS select by the names of recipes and liquids."""
    entries = matching(session.engine.get("menu", tuple[MenuEntry, ...]), words)
    session.show(entries, draw_menu)


def matching(entries: tuple[MenuEntry, ...], words: Sequence[str]) -> tuple[MenuEntry, ...]:
    """The entries with every word in the name of the recipe or of one of its liquids. TundishError for none."""
    found = tuple(one for one in entries if all(word.casefold() in _names(one) for word in words))
    if words and not found:
        raise TundishError(f"no recipe has {' and '.join(map(repr, words))} in its name or among its liquids.")
    return found


def _names(one: MenuEntry) -> str:
    return "\n".join((one.recipe, *one.liquids)).casefold()


def draw_menu(entries: tuple[MenuEntry, ...]) -> str:
    """Every recipe with its figures; what is missing stands below those that cannot be poured."""
    ready = [one for one in entries if not one.missing]
    waiting = [one for one in entries if one.offer is None and len(one.absent) == len(one.missing) > 0]
    header = ("recipe", "glass", "volume", "time", "alcohol", *_drinks_header(entries), "allergens")
    parts = [table(header, map(_cells, ready))] if ready else ["Nothing can be poured now."]
    for one in sorted(entries, key=lambda one: len(one.missing)):
        if one.missing and one not in waiting:
            parts.append(f"\nnot now: {one.recipe}\n" + "\n".join(f"  {reason}" for reason in one.missing))
            if one.offer is not None:
                parts.append(f'  but: tundish pour "{one.recipe}" {_words(one.offer)}')
    parts += ["\n" + "\n".join(_waiting(waiting))] if waiting else []
    options = _options(ready)
    parts += ["\n" + "\n".join(options)] if options else []
    shared = sorted({allergen for one in entries for allergen in (*one.allergens, *one.may_contain)})
    if shared:
        parts.append(f"\nAll lines share one funnel: every drink may hold traces of {', '.join(shared)}.")
    return "\n".join(parts)


def _waiting(entries: list[MenuEntry]) -> list[str]:
    """A line for each recipe that waits for liquids on no line, and how many more there are."""
    lines = [f"not now: {one.recipe}: needs {', '.join(one.absent)}" for one in entries[:WAITING]]
    more = len(entries) - WAITING
    return [*lines, f"and {more} more: name words after tundish menu to find them"] if more > 0 else lines


def _drinks_header(entries: tuple[MenuEntry, ...]) -> tuple[str, ...]:
    country = next((one.standard_drink for one in entries if one.standard_drink is not None), None)
    return () if country is None else (f"drinks ({country})",)


def _cells(one: MenuEntry) -> tuple[str, ...]:
    drinks = () if one.standard_drinks is None else (f"{one.standard_drinks:.1f}",)
    return (
        one.recipe,
        one.glass,
        f"{one.volume_ml:.0f} mL",
        "" if one.seconds is None else f"{one.seconds:.1f} s",
        f"{one.abv_percent:.1f} % vol, {one.ethanol_g:.1f} g" if one.ethanol_g > 0 else "none",
        *drinks,
        ", ".join(one.allergens) or "none listed",
    )


def _options(entries: list[MenuEntry]) -> list[str]:
    """What recipes leave open, a line each."""
    found = []
    for one in entries:
        parts = [f"without {liquid}" for liquid in one.optional]
        parts += [f"with {swap.by} instead of {swap.liquid}" for swap in one.substitutes]
        if parts:
            found.append(f"{one.recipe} can be had {', or '.join(parts)}.")
    return found


def _words(offer: Offer) -> str:
    words = [f'--without "{liquid}"' for liquid in offer.without]
    words += [f'--instead "{swap.liquid}={swap.by}"' for swap in offer.instead]
    return " ".join(words)
