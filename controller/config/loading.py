"""Loading: files to frozen values, or FileProblems with every problem of all of them."""

import stat
from pathlib import Path
from typing import TypeVar

from controller.config.book_checks import check_book
from controller.config.diagnostics import Found, Notes, Spot
from controller.config.event_checks import check_event
from controller.config.keys import Group
from controller.config.machine import KnownMachine
from controller.config.nodes import Mapping, Node, read_tree
from controller.config.profile_checks import check_profile
from controller.config.walk import Walker
from controller.errors import FileProblems, Problem
from controller.model.book import Book, Measure
from controller.model.event import GuestEvent
from controller.model.profile import Profile

T = TypeVar("T")

MAX_BYTES = 1024 * 1024
# Keys that distinguish a file of each kind from the others.
KEYS_OF = {
    "profile": {"board", "supply", "relay_board"},
    "book": {"liquids", "glasses", "recipes"},
    "event": {"guests", "menu", "starts"},
}


def load(profile_path: Path | str, book_path: Path | str) -> tuple[Profile, Book, list[Problem]]:
    """Profile, book and warnings. Raises FileProblems with every problem of both files."""
    notes = of_profile, of_book = Notes(file=str(profile_path)), Notes(file=str(book_path))
    found = _find_profile(of_profile)
    book = _read_book(KnownMachine.of_found(found), of_book)
    return _whole(found.valid(Profile), *notes), _whole(book, *notes), _warnings(*notes)


def load_event(
    event_path: Path | str, profile_path: Path | str, book_path: Path | str
) -> tuple[GuestEvent, Profile, Book, list[Problem]]:
    """An event with the machine and the book it is for, and warnings. Raises FileProblems with every problem of all.

    Where the event leaves the lines free, the book may hold recipes whose liquids are on no line.
    """
    notes = tuple(Notes(file=str(path)) for path in (event_path, profile_path, book_path))
    of_event, of_profile, of_book = notes
    tree = _tree(of_event, "event")
    found = Found(line=1, column=1) if tree is None else Walker(of_event, {}).read(tree, Group(cls=GuestEvent), "")
    machine = _find_profile(of_profile)
    book = _read_book(KnownMachine.of_found(machine), of_book, lines_are_free=found.get("lines", str) == "free")
    check_event(found, book, of_event)
    event, profile = _whole(found.valid(GuestEvent), *notes), _whole(machine.valid(Profile), *notes)
    return event, profile, _whole(book, *notes), _warnings(*notes)


def load_profile(path: Path | str) -> tuple[Profile, list[Problem]]:
    """Profile and warnings. Raises FileProblems with every problem of the file."""
    notes = Notes(file=str(path))
    return _whole(_find_profile(notes).valid(Profile), notes), _warnings(notes)


def load_book(path: Path | str, profile: Profile | None) -> tuple[Book, list[Problem]]:
    """Book and warnings, checked against `profile` when given. Raises FileProblems with every problem of the file."""
    notes = Notes(file=str(path))
    book = _read_book(KnownMachine.of_profile(profile) if profile else KnownMachine(), notes)
    return _whole(book, notes), _warnings(notes)


def _whole(value: T | None, *notes: Notes) -> T:
    """What was read from these files; FileProblems when anything is wrong in any of them."""
    problems = [problem for one in notes for problem in one.problems]
    if problems or value is None:
        raise FileProblems(problems)
    return value


def _warnings(*notes: Notes) -> list[Problem]:
    return [warning for one in notes for warning in sorted(set(one.warnings))]


def _find_profile(notes: Notes) -> Found:
    tree = _tree(notes, "profile")
    if tree is None:
        return Found(line=1, column=1)
    found = Walker(notes, {}).read(tree, Group(cls=Profile), "")
    check_profile(found, notes)
    return found


def _read_book(machine: KnownMachine, notes: Notes, *, lines_are_free: bool = False) -> Book | None:
    tree = _tree(notes, "book")
    if tree is None:
        return None
    found = Walker(notes, _measures(tree)).read(tree, Group(cls=Book), "")
    check_book(found, machine, notes, lines_are_free=lines_are_free)
    return found.valid(Book)


def _measures(tree: Node) -> dict[str, float]:
    """House measures by name, read ahead of the recipes that use them; what is wrong with them is noted later."""
    if not isinstance(tree, Mapping):
        return {}
    book = Walker(Notes(file=""), {}).read(tree, Group(cls=Book), "")
    found = [one.value for one in book.under("measures")]
    return {one.measure: one.volume_ml for one in found if isinstance(one, Measure)}


def _tree(notes: Notes, kind: str) -> Node | None:
    """The file's tree; None after noting why there is none, or that the file is of another kind."""
    text = _text(notes)
    tree = read_tree(text, notes) if text is not None else None
    if not isinstance(tree, Mapping):
        return tree
    keys = {key.text for key, _ in tree.pairs}
    other = next((one for one, own in KEYS_OF.items() if own & keys and not KEYS_OF[kind] & keys), None)
    if other is None:
        return tree
    notes.add(
        Spot(), "", f"this is no {kind}: by its keys it is the file of a{'n' if other == 'event' else ''} {other}."
    )
    return None


def _text(notes: Notes) -> str | None:
    """The file's text; None after noting why it cannot be had."""
    path = Path(notes.file)
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            notes.add(Spot(), "", "this is not a regular file.")
            return None
        with path.open("rb") as stream:
            data = stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        notes.add(Spot(), "", f"cannot be read: {getattr(error, 'strerror', None) or error}.")
        return None
    if len(data) > MAX_BYTES:
        notes.add(Spot(), "", "the file is larger than 1 MiB; nothing that describes a machine or a menu is.")
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8-sig", "replace")
        notes.add(Spot.after(before), "", "this byte is not UTF-8. Save the file as UTF-8.")
        return None
