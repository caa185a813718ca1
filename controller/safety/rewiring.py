"""Which tube is which after the profile was edited: what a line holds follows its pin, not only its number."""

from dataclasses import dataclass

from msgspec.structs import replace

from controller.model.book import Book
from controller.model.labels import label_in
from controller.model.profile import Line, Profile
from controller.safety.contents import nothing_certain, unsaid
from controller.safety.records import LineState, Memory, Moment


@dataclass(frozen=True, kw_only=True)
class Rewired:
    """The lines that memory does not have so yet, and what became of those that it has. See records.Started."""

    lines: tuple[LineState, ...]
    renumbered: tuple[tuple[int, int], ...]
    removed: tuple[LineState, ...]


def rewired(profile: Profile, book: Book, memory: Memory, now: Moment) -> Rewired:
    """The lines of this profile, each with the tube that hangs on its pin."""
    by_number = {state.line: state for state in memory.lines}
    by_pin = {state.gpio: state for state in (*memory.removed, *memory.lines) if state.gpio is not None}
    lines = tuple(_state(line, by_number.get(line.line), by_pin.get(line.gpio), book, now) for line in profile.lines)
    in_use = {line.gpio for line in profile.lines}
    numbers = {line.gpio: line.line for line in profile.lines}
    return Rewired(
        lines=tuple(state for state in lines if by_number.get(state.line) != state),
        renumbered=tuple(
            (state.line, numbers[state.gpio])
            for state in memory.lines
            if state.gpio in numbers and numbers[state.gpio] != state.line
        ),
        removed=tuple(state for pin, state in by_pin.items() if pin not in in_use),
    )


def _state(line: Line, same_number: LineState | None, same_pin: LineState | None, book: Book, now: Moment) -> LineState:
    if same_number is not None and same_number.gpio in (None, line.gpio):
        return replace(same_number, gpio=line.gpio)
    if same_pin is not None:
        return _known_by_pin(line.line, same_pin, same_number)
    if same_number is not None:
        return replace(same_number, gpio=line.gpio)  # wired to another pin: the tube stayed
    # A line that the journal has never seen is new: its tube has never been wet.
    hangs = {on.line: on.liquid for on in book.lines}.get(line.line)
    return LineState(line=line.line, gpio=line.gpio, assigned=hangs, container=label_in(book, hangs), opened=now)


def _known_by_pin(number: int, same_pin: LineState, same_number: LineState | None) -> LineState:
    """The tube on this pin under its new number. Which container hangs there is for a person to say.

    Whether lines were given other numbers or pumps other pins cannot be seen: allergens of both tubes count.
    """
    state = unsaid(replace(same_pin, line=number))
    if same_number is None:
        return state
    if same_number.chemical and not state.chemical:
        state = nothing_certain(state)
    return replace(
        state,
        drawn=tuple(sorted({*state.drawn, *same_number.drawn})),
        traces=tuple(sorted({*state.traces, *same_number.traces})),
        cares=tuple(sorted({*state.cares, *same_number.cares})),
        doubtful=state.doubtful or same_number.doubtful,
        chemical=state.chemical or same_number.chemical,
    )
