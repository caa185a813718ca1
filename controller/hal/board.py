"""The board as the guard sees it: lines to switch, the pumps' feed, contacts to read."""

from typing import Literal, NamedTuple, Protocol

from controller.errors import BoardError

Pull = Literal["up", "down", "floating"]  # of an input
CONSUMER = "tundish-guard"  # the name under which the kernel lists the guard's lines


class ChipLine(NamedTuple):
    """One GPIO as the kernel describes it."""

    gpio: int
    name: str
    holder: str  # "" when free


class Board(Protocol):
    """Relay channels by line number, the main relay, and by name all else that the profile's tables list."""

    def switch(self, line: int, *, on: bool) -> None:
        """Drive one line's relay; raises BoardError, after which the level is not known."""

    def feed(self, *, on: bool) -> None:
        """Close or open the main relay; nothing to do where there is none. BoardError as for `switch`."""

    def signal(self, name: str, *, on: bool) -> None:
        """Switch an output that is neither channel nor main relay. BoardError as for `switch`."""

    def all_off(self) -> list[BoardError]:
        """Drive the main relay and every other output off, whatever fails on the way; the failures. May be repeated."""

    def read(self) -> dict[str, bool]:
        """Contact name -> whether the contact is closed; raises BoardError when any cannot be read."""

    def close(self) -> None:
        """all_off, then release every pin without a pulse. May be repeated."""
