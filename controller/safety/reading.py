"""A book read anew: what it changes, and what of the book before holds on because liquid of then is still there."""

from collections.abc import Collection, Iterator, Sequence

from msgspec.structs import asdict, replace

from controller.model.book import Book
from controller.model.labels import GlassSize, Label, label_in, label_of, size_of, smaller, stricter
from controller.safety.records import BookRead, FigureChanged, LineState, Memory


def reading(book: Book, memory: Memory, confirmed: Collection[str] = ()) -> BookRead:
    """What follows from reading this book. confirmed: glasses that a person says are as large as it has them."""
    here = {name for state in memory.lines for name in (state.assigned, state.holds, *state.drawn)}
    in_book = {one.liquid: label_of(one) for one in book.liquids}
    gone = tuple(label for label in memory.labels if label.liquid in here - in_book.keys())
    known = {one.glass: one for one in memory.glasses}
    sizes = tuple(map(size_of, book.glasses))
    in_force = {one.glass: _in_force(one, known.get(one.glass), confirmed) for one in sizes}
    lines = ((state, labelled(state, book)) for state in memory.lines)
    return BookRead(
        title=book.title,
        changed=(*_changed_labels(memory.labels, in_book), *_changed_glasses(known, sizes)),
        labels=(*in_book.values(), *gone),
        glasses=tuple((known | in_force).values()),
        lines=tuple(after for before, after in lines if after != before),
    )


def changes_nothing(record: BookRead, memory: Memory) -> bool:
    """Whether this memory knows all of it already."""
    return not record.lines and (record.labels, record.glasses) == (memory.labels, memory.glasses)


def labelled(state: LineState, book: Book) -> LineState:
    """The line with the stricter of what its labels say and what this book says of all that is or was in it."""
    wetted_by = {*state.drawn, *state.residues, *((state.holds,) if state.holds is not None else ())}
    labels = [label for name in wetted_by if (label := label_in(book, name)) is not None]
    return replace(
        state,
        container=both(state.container, label_in(book, state.assigned)),
        tube=both(state.tube, label_in(book, state.holds)),
        drawn=tuple(sorted(wetted_by)),
        traces=tuple(sorted({*state.traces, *(one for label in labels for one in label.allergens)})),
        cares=tuple(sorted({*state.cares, *(care for label in labels for care in cares_of(label))})),
    )


def both(one: Label | None, other: Label | None) -> Label | None:
    """The stricter of two labels, where there are two."""
    return stricter(one, other) if one is not None and other is not None else one or other


def cares_of(label: Label) -> tuple[str, ...]:
    """The kind of care that the book has said, if it has."""
    return () if label.care is None else (label.care,)


def _in_force(glass: GlassSize, before: GlassSize | None, confirmed: Collection[str]) -> GlassSize:
    return glass if before is None or glass.glass in confirmed else smaller(glass, before)


def _changed_labels(before: Sequence[Label], now: dict[str, Label]) -> Iterator[FigureChanged]:
    for old in before:
        if old.liquid in now:
            yield from _changed(old.liquid, old, now[old.liquid])


def _changed_glasses(before: dict[str, GlassSize], now: Sequence[GlassSize]) -> Iterator[FigureChanged]:
    for new in now:
        if new.glass in before:
            yield from _changed(new.glass, before[new.glass], new)


def _changed(of: str, old: Label | GlassSize, new: Label | GlassSize) -> Iterator[FigureChanged]:
    figures = asdict(new)
    for figure, value in asdict(old).items():
        if figures[figure] != value:
            yield FigureChanged(of=of, figure=figure, old=_words(value), new=_words(figures[figure]))


def _words(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(value) or "none"
    return f"{value:.10g}" if isinstance(value, int | float) else str(value or "none")
