"""Labels: the figures of a liquid that guests rely on, and the stricter of two that disagree about them.

A bottle was hung and a tube was filled by the book of then; the book of now may say something else. Nobody can tell
which of the two is wrong, so the stricter figure holds for as long as the liquid is there.
"""

from collections.abc import Iterable

from msgspec.structs import replace

from controller.model.book import Book, Glass, Liquid
from controller.model.fields import Value, like

CARES = ("ordinary", "tea", "perishable")  # from the longest time between cleanings to the shortest


class Label(Value, frozen=True, kw_only=True, omit_defaults=True):
    """What a book says, or has said, of one liquid. Journals keep it: plain figures, whatever books allow later."""

    liquid: str
    abv_percent: float = 0.0
    allergens: tuple[str, ...] = ()
    opened_life_s: float | None = None
    care: str | None = None  # None while nobody has said


class GlassSize(Value, frozen=True, kw_only=True):
    """What a book says, or has said, of one glass."""

    glass: str
    brim_ml: float
    usable_ml: float


def label_of(liquid: Liquid) -> Label:
    """What the book says of this liquid."""
    return like(Label, liquid, allergens=tuple(sorted(liquid.allergens)))


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
        care=max(cares, key=_strictness, default=None),
    )


def _strictness(care: str) -> int:
    return CARES.index(care) if care in CARES else len(CARES)


def size_of(glass: Glass) -> GlassSize:
    """What the book says of this glass."""
    return like(GlassSize, glass)


def smaller(one: GlassSize, other: GlassSize) -> GlassSize:
    """What fits into either of two sizes of one glass."""
    brim_ml = min(one.brim_ml, other.brim_ml)
    return GlassSize(glass=one.glass, brim_ml=brim_ml, usable_ml=min(one.usable_ml, other.usable_ml, brim_ml))


def strictest(book: Book, labels: Iterable[Label], glasses: Iterable[GlassSize] = ()) -> Book:
    """The book with the stricter figures where these labels and glasses have such."""
    strict = {one.liquid: label_of(one) for one in book.liquids}
    for label in labels:
        if label.liquid in strict:
            strict[label.liquid] = stricter(strict[label.liquid], label)
    sizes = {one.glass: one for one in glasses}
    return replace(
        book,
        liquids=tuple(_as_labelled(one, strict[one.liquid]) for one in book.liquids),
        glasses=tuple(_as_sized(one, sizes.get(one.glass, size_of(one))) for one in book.glasses),
    )


def _as_labelled(liquid: Liquid, label: Label) -> Liquid:
    if label == label_of(liquid):
        return liquid
    return replace(
        liquid,
        # The sugar belongs to the book's own strength; together with another one it may be no liquid that there is.
        brix=liquid.brix if label.abv_percent == liquid.abv_percent else None,
        abv_percent=label.abv_percent,
        allergens=label.allergens,
        opened_life_s=label.opened_life_s,
        care=label.care,
    )


def _as_sized(glass: Glass, size: GlassSize) -> Glass:
    size = smaller(size_of(glass), size)
    return replace(glass, brim_ml=size.brim_ml, usable_ml=size.usable_ml)
