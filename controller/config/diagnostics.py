"""What was found in a file and where, valid or not; and the notes that are taken about it."""

from dataclasses import dataclass, field
from typing import Protocol, TypeVar

from controller.errors import Problem

T = TypeVar("T")


class Located(Protocol):
    """Anything with a line and a column, both counted from 1."""

    @property
    def line(self) -> int:
        """Line of the file."""

    @property
    def column(self) -> int:
        """Character of the line."""


@dataclass(frozen=True, kw_only=True)
class Spot:
    """A place by itself; by default the file's first character."""

    line: int = 1
    column: int = 1

    @classmethod
    def after(cls, text: str) -> "Spot":
        """The place of the character that follows `text`."""
        return cls(line=text.count("\n") + 1, column=len(text) - text.rfind("\n"))


@dataclass(frozen=True, kw_only=True)
class Notes:
    """Takes down what is wrong in one file (`problems`: it is refused) and what its writer should know (`warnings`).

    What an alias repeats is noted once, for the first that uses it.
    """

    file: str
    problems: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)
    _noted: set[tuple[int, int, str]] = field(default_factory=set)

    def add(self, place: Located, subject: str, text: str) -> None:
        """Note a problem at a place; `subject` ("" for none) is what it is about."""
        self._take(self.problems, place, subject, text)

    def warn(self, place: Located, subject: str, text: str) -> None:
        """Note a warning, in the same way."""
        self._take(self.warnings, place, subject, text)

    def _take(self, into: list[Problem], place: Located, subject: str, text: str) -> None:
        if (place.line, place.column, text) not in self._noted:
            self._noted.add((place.line, place.column, text))
            whole = f"{subject}: {text}" if subject else text
            into.append(Problem(file=self.file, line=place.line, column=place.column, text=whole))


@dataclass(kw_only=True, slots=True)
class Found:
    """What stands at one place: its value (None when anything in it is wrong), its place, and its parts.

    `cls` is what a mapping is to become.
    `fields` holds the parts of a mapping by field name, `items` those of a list, valid or not, so that checks between
    parts can go on with what is valid.
    """

    line: int
    column: int
    value: object = None
    cls: type | None = None
    fields: dict[str, "Found"] = field(default_factory=dict)
    items: list["Found"] = field(default_factory=list)

    def valid(self, cls: type[T]) -> T | None:
        """The value, if it is valid and one of `cls`."""
        return self.value if isinstance(self.value, cls) else None

    def at(self, *names: str) -> "Found":
        """The part under these field names, or the nearest outer one that the file has."""
        inner = self.fields.get(names[0]) if names else None
        return inner.at(*names[1:]) if inner else self

    def get(self, name: str, cls: type[T]) -> T | None:
        """The value in this field, if it is there, valid and one of `cls`."""
        part = self.fields.get(name)
        return part.valid(cls) if part else None

    def under(self, name: str) -> list["Found"]:
        """The items of the list in this field; none when it is missing."""
        part = self.fields.get(name)
        return part.items if part else []
