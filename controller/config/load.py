"""Loading: files to frozen values, or FileProblems with every problem of all of them."""

import stat
from pathlib import Path

from controller.config.keys import Group
from controller.config.nodes import Mapping, Node, read_tree
from controller.config.walk import Walker
from controller.errors import FileProblems, Problem
from controller.model.book import Book, Measure
from controller.model.profile import Profile

MAX_BYTES = 1024 * 1024


def load(profile_path: Path | str, book_path: Path | str) -> tuple[Profile, Book, list[Problem]]:
    """Profile, book and warnings. Raises FileProblems with every problem of both files."""
    problems: list[Problem] = []
    warnings: list[Problem] = []
    profile = _read_profile(Path(profile_path), problems, warnings)
    book = _read_book(Path(book_path), profile, problems, warnings)
    if problems or profile is None or book is None:
        raise FileProblems(problems)
    return profile, book, warnings


def load_profile(path: Path | str) -> tuple[Profile, list[Problem]]:
    """Profile and warnings. Raises FileProblems with every problem of the file."""
    problems: list[Problem] = []
    warnings: list[Problem] = []
    profile = _read_profile(Path(path), problems, warnings)
    if problems or profile is None:
        raise FileProblems(problems)
    return profile, warnings


def load_book(path: Path | str, profile: Profile | None) -> tuple[Book, list[Problem]]:
    """Book and warnings, checked against `profile` when given. Raises FileProblems with every problem of the file."""
    problems: list[Problem] = []
    warnings: list[Problem] = []
    book = _read_book(Path(path), profile, problems, warnings)
    if problems or book is None:
        raise FileProblems(problems)
    return book, warnings


def _read_profile(path: Path, problems: list[Problem], warnings: list[Problem]) -> Profile | None:
    tree = _tree(path, problems)
    if tree is None:
        return None
    found = Walker(str(path), problems, {}).read(tree, Group(cls=Profile), "")
    return found.value if isinstance(found.value, Profile) else None


def _read_book(path: Path, profile: Profile | None, problems: list[Problem], warnings: list[Problem]) -> Book | None:
    tree = _tree(path, problems)
    if tree is None:
        return None
    found = Walker(str(path), problems, _measures(tree)).read(tree, Group(cls=Book), "")
    return found.value if isinstance(found.value, Book) else None


def _measures(tree: Node) -> dict[str, float]:
    """House measures by name, read ahead of the recipes that use them; what is wrong with them is noted later."""
    if not isinstance(tree, Mapping):
        return {}
    book = Walker("", [], {}).read(tree, Group(cls=Book), "")
    found = [one.value for one in book.under("measures")]
    return {one.measure: one.volume_ml for one in found if isinstance(one, Measure)}


def _tree(path: Path, problems: list[Problem]) -> Node | None:
    text = _text(path, problems)
    return read_tree(str(path), text, problems) if text is not None else None


def _text(path: Path, problems: list[Problem]) -> str | None:
    """The file's text; None after noting why it cannot be had."""

    def note(text: str, line: int = 1, column: int = 1) -> None:
        problems.append(Problem(file=str(path), line=line, column=column, text=text))

    try:
        if not stat.S_ISREG(path.stat().st_mode):
            note("this is not a regular file.")
            return None
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        note(f"cannot be read: {getattr(error, 'strerror', None) or error}.")
        return None
    if len(data) > MAX_BYTES:
        note("the file is larger than 1 MiB; nothing that describes a machine or a menu is.")
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8", "replace")
        line, column = before.count("\n") + 1, len(before) - before.rfind("\n")
        note("this byte is not UTF-8. Save the file as UTF-8.", line, column)
        return None
