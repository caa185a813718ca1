"""YAML text to a tree of plain nodes with places, without any of YAML's guesses about types.

The tree is built from PyYAML's parsing events, so nothing is turned into booleans, dates or numbers here, and a
hostile file stays small: depth, number of values and what aliases expand to are all bounded while reading.
"""

from dataclasses import dataclass, field
from typing import NoReturn, Protocol, TypeAlias

import yaml

from controller.config.diagnostics import Located, Notes, Spot
from controller.quantities import quote

MAX_DEPTH = 20  # the deepest value of a book lies at 8
MAX_VALUES = 50_000  # keys and values, aliases counted as often as they are used


@dataclass(frozen=True, kw_only=True, slots=True)
class Scalar:
    """A text as written; `plain` when it stands without quotes. Line and column count from 1."""

    text: str
    plain: bool
    line: int
    column: int
    size: int = 1


@dataclass(kw_only=True, slots=True)
class Sequence:
    """A list of nodes. `size` counts everything inside, aliases expanded."""

    line: int
    column: int
    items: list["Node"] = field(default_factory=list)
    size: int = 1


@dataclass(kw_only=True, slots=True)
class Mapping:
    """Pairs in the order of the file; equal keys have been noted as problems."""

    line: int
    column: int
    pairs: list[tuple[Scalar, "Node"]] = field(default_factory=list)
    size: int = 1


Node: TypeAlias = Scalar | Sequence | Mapping


def read_tree(text: str, notes: Notes) -> Node | None:
    """The one document of `text`, or None after noting why there is none."""
    builder = _Builder(notes)
    try:
        loader = yaml.SafeLoader(text)
    except yaml.reader.ReaderError as error:
        character = ascii(text[error.position])
        notes.add(Spot.after(text[: error.position]), "", f"the character {character} is not allowed in YAML.")
        return None
    try:
        while loader.check_event():
            builder.take(loader.get_event())  # type: ignore[no-untyped-call]  # not annotated in the stubs
    except _Unreadable:
        return None
    except yaml.MarkedYAMLError as error:
        notes.add(_syntax_spot(error), "", _syntax(error))
        return None
    except (ValueError, OverflowError, IndexError) as error:
        # PyYAML lets a few malformed escapes and directives through to Python's own conversions.
        cause = f"an escape or directive is malformed ({type(error).__name__})"
        notes.add(_spot(loader.get_mark()), "", f"this is not YAML: {cause}.")
        return None
    finally:
        loader.dispose()
    if builder.root is None:
        notes.add(Spot(), "", "the file is empty.")
    return builder.root


_NO_COLON = "could not find expected ':'"

# What PyYAML says, and what most often lies behind it.
_SYNTAX = (
    ("'\\t'", "a tab stands where YAML wants spaces. Indent with spaces."),
    ("mapping values are not allowed", "a second colon on this line. Put texts with a colon in quotes."),
    (
        "expected <block end>",
        "this line does not line up with those it belongs to. Check its indentation, and the dashes.",
    ),
    (_NO_COLON, "a key without its colon stands here."),
    ("found unexpected end of stream", "the file ends within a text in quotes{opened}. Close the quotes."),
    ("found unexpected document separator", "a text in quotes{opened} is not closed."),
    ("expected ',' or", "a bracket{opened} is not closed, or a comma is missing."),
    ("cannot start any token", "no value can begin with this character. Put the text in quotes."),
)


def _syntax_spot(error: yaml.MarkedYAMLError) -> Spot:
    """Where it went wrong; a missing colon is only noticed later, but the key's own place is known."""
    if error.problem == _NO_COLON and error.context_mark:
        return _spot(error.context_mark)
    return _spot(error.problem_mark or error.context_mark)


def _syntax(error: yaml.MarkedYAMLError) -> str:
    problem = error.problem or "it cannot be read"
    opened = f" (opened in line {error.context_mark.line + 1})" if error.context_mark else ""
    for sign, text in _SYNTAX:
        if sign in problem:
            return text.format(opened=opened)
    context = f" {error.context}" if error.context else ""
    return f"this is not YAML{context}: {problem}."


class _Mark(Protocol):
    """PyYAML's place in a text; both count from 0."""

    @property
    def line(self) -> int: ...
    @property
    def column(self) -> int: ...


def _spot(mark: _Mark | None) -> Spot:
    return Spot(line=mark.line + 1, column=mark.column + 1) if mark else Spot()


class _Unreadable(Exception):
    """Reading cannot go on; the problem has been noted."""


@dataclass(slots=True)
class _Open:
    """A list or mapping that has begun and not ended; for a mapping, the key that waits for its value."""

    node: Sequence | Mapping
    key: Scalar | None = None
    seen: dict[str, int] = field(default_factory=dict)  # key -> line


class _Builder:
    """Takes parsing events one by one and grows the tree."""

    def __init__(self, notes: Notes) -> None:
        self.root: Node | None = None
        self._notes = notes
        self._open: list[_Open] = []
        self._anchors: dict[str, Node] = {}
        self._documents = 0
        self._values = 0

    def take(self, event: yaml.Event) -> None:
        """Grow the tree by one event; _Unreadable when the rest cannot be made sense of."""
        here = _spot(event.start_mark)
        match event:
            case yaml.DocumentStartEvent():
                self._documents += 1
                if self._documents > 1:
                    self._stop(here, 'a second document begins here. Keep one per file and take the "---" out.')
            case yaml.AliasEvent():
                self._add(here, self._aliased(here, event))
            case yaml.ScalarEvent():
                scalar = Scalar(text=event.value, plain=not event.style, line=here.line, column=here.column)
                self._check(event, scalar)
                self._add(here, scalar)
            case yaml.SequenceStartEvent():
                self._begin(event, Sequence(line=here.line, column=here.column))
            case yaml.MappingStartEvent():
                self._begin(event, Mapping(line=here.line, column=here.column))
            case yaml.CollectionEndEvent():
                self._add(here, self._open.pop().node)

    def _stop(self, place: Located, text: str) -> NoReturn:
        self._notes.add(place, "", text)
        raise _Unreadable

    def _aliased(self, here: Spot, event: yaml.AliasEvent) -> Node:
        node = self._anchors.get(event.anchor or "")
        if node is None:
            self._stop(here, f"no anchor &{event.anchor} stands before this alias.")
        if any(node is outer.node for outer in self._open):
            self._stop(here, f"the alias *{event.anchor} stands inside its own anchor.")
        return node

    def _check(self, event: yaml.ScalarEvent | yaml.CollectionStartEvent, node: Node) -> None:
        """Note tags, which could only change what a value means, and remember the anchor."""
        if event.tag is not None:
            tag = event.tag.replace("tag:yaml.org,2002:", "!!")
            self._notes.add(node, "", f"the tag {quote(tag)} has no meaning here. Take it out.")
        if event.anchor is not None:
            if event.anchor in self._anchors:
                self._notes.add(node, "", f"the anchor &{event.anchor} is used twice.")
            self._anchors[event.anchor] = node

    def _begin(self, event: yaml.CollectionStartEvent, node: Sequence | Mapping) -> None:
        self._check(event, node)
        if len(self._open) >= MAX_DEPTH:
            self._stop(node, f"lists and mappings are nested more than {MAX_DEPTH} deep.")
        self._open.append(_Open(node))

    def _add(self, here: Spot, node: Node) -> None:
        """Put a finished node into the one that is open; `here` is where it is used, elsewhere for an alias."""
        self._values += 1
        if not self._open:
            self.root = node
            return
        outer = self._open[-1]
        if isinstance(outer.node, Sequence):
            outer.node.items.append(node)
        elif outer.key is None:
            outer.key = self._key(outer, node)
        else:
            outer.node.pairs.append((outer.key, node))
            outer.key = None
        outer.node.size += node.size
        if self._values > MAX_VALUES:
            self._stop(here, f"the file holds more than {MAX_VALUES} values; split the book.")
        if outer.node.size > MAX_VALUES:
            self._stop(here, f"with its aliases written out, the file holds more than {MAX_VALUES} values.")

    def _key(self, outer: _Open, node: Node) -> Scalar:
        if not isinstance(node, Scalar):
            self._stop(node, "a key must be a word, not a list or a mapping.")
        if node.text in outer.seen:
            first = outer.seen[node.text]
            self._notes.add(node, "", f"the key {quote(node.text)} stands twice; the first is in line {first}.")
        outer.seen.setdefault(node.text, node.line)
        return node
