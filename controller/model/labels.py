"""Labels: the figures of a liquid that guests rely on, and the stricter of two that disagree about them.

A bottle was hung and a tube was filled by the book of then; the book of now may say something else. Nobody can tell
which of the two is wrong, so the stricter figure holds for as long as the liquid is there.
"""

from collections.abc import Iterable

from msgspec.structs import replace

from controller.model.book import Book, Care, Glass, Liquid
from controller.model.fields import Value

CARES: tuple[Care, ...] = ("ordinary", "tea", "perishable")  # from the longest time between cleanings to the shortest


class Label(Value, frozen=True, kw_only=True, omit_defaults=True):
    """What a book says, or has said, of one liquid."""

    liquid: str
    abv_percent: float = 0.0
    allergens: tuple[str, ...] = ()
    opened_life_s: float | None = None
    care: Care | None = None  # None while nobody has said


def label_of(liquid: Liquid) -> Label:
    """What the book says of this liquid."""
    return Label(
        liquid=liquid.liquid,
        abv_percent=liquid.abv_percent,
        allergens=tuple(sorted(liquid.allergens)),
        opened_life_s=liquid.opened_life_s,
        care=liquid.care,
    )


def label_in(book: Book, liquid: str | None) -> Label | None:
    """The same by name; None when the book has no such liquid."""
    return next((label_of(one) for one in book.liquids if one.liquid == liquid), None)


def stricter(one: Label, other: Label) -> Label:
    """The stricter figure of each pair; both labels are of one liquid."""
    cares = [care for care in (one.care, other.care) if care is not None]
    lives_s = [life_s for life_s in (one.opened_life_s, other.opened_life_s) if life_s is not None]
    return Label(
        liquid=one.liquid,
        abv_percent=max(one.abv_percent, other.abv_percent),
        allergens=tuple(sorted({*one.allergens, *other.allergens})),
        opened_life_s=min(lives_s, default=None),
        care=max(cares, key=CARES.index, default=None),
    )


def smaller(one: Glass, other: Glass) -> Glass:
    """The glass that holds no more than either of these two of one name."""
    brim_ml = min(one.brim_ml, other.brim_ml)
    return Glass(glass=one.glass, brim_ml=brim_ml, usable_ml=min(one.usable_ml, other.usable_ml, brim_ml))


def strictest(book: Book, labels: Iterable[Label], glasses: Iterable[Glass]) -> Book:
    """The book with the stricter figures where these labels and glasses have such."""
    strict = {one.liquid: label_of(one) for one in book.liquids}
    for label in labels:
        if label.liquid in strict:
            strict[label.liquid] = stricter(strict[label.liquid], label)
    small = {one.glass: one for one in book.glasses}
    for glass in glasses:
        if glass.glass in small:
            small[glass.glass] = smaller(small[glass.glass], glass)
    liquids = tuple(_as_labelled(one, strict[one.liquid]) for one in book.liquids)
    return replace(book, liquids=liquids, glasses=tuple(small[one.glass] for one in book.glasses))


def _as_labelled(liquid: Liquid, label: Label) -> Liquid:
    if label == label_of(liquid):
        return liquid
    return replace(
        liquid,
        abv_percent=label.abv_percent,
        allergens=label.allergens,
        opened_life_s=label.opened_life_s,
        care=label.care,
    )
