"""Example files with one thing changed: what is refused, and where."""

from dataclasses import dataclass
from pathlib import Path

from controller.config import load_book, load_profile
from controller.errors import FileProblems, Problem

ROOT = Path(__file__).resolve().parents[2]
PROFILE = ROOT / "hardware_profiles" / "six_line.yaml"
MACHINE, _ = load_profile(PROFILE)
BOOK = ROOT / "demo" / "orchard_fete.yaml"
BOOKS = (BOOK, ROOT / "demo" / "harvest_supper.yaml")
HERE = "▸"  # stands in a changed text where the problem must be reported


@dataclass(frozen=True)
class Changed:
    """A changed text and the place (line, column) that was marked in it, if any."""

    text: str
    line: int
    column: int


def change(text: str, old: str, new: str) -> Changed:
    """Replace the first `old`, which must be there; HERE in `new` marks the place of the expected problem."""
    start = text.index(old)
    place = start + max(0, new.find(HERE))
    changed = text[:start] + new.replace(HERE, "") + text[start + len(old) :]
    before = changed[:place]
    return Changed(changed, before.count("\n") + 1, len(before) - before.rfind("\n"))


def profile_problems(folder: Path, text: str) -> list[Problem]:
    """The problems of a profile with this text; none when it is accepted."""
    path = folder / "profile.yaml"
    path.write_text(text, encoding="utf-8")
    try:
        load_profile(path)
    except FileProblems as error:
        return error.problems
    return []


def book_problems(folder: Path, text: str, *, alone: bool = False) -> list[Problem]:
    """The problems of a book with this text, against the six-line machine unless alone."""
    path = folder / "book.yaml"
    path.write_text(text, encoding="utf-8")
    try:
        load_book(path, None if alone else MACHINE)
    except FileProblems as error:
        return error.problems
    return []


def assert_refused(problems: list[Problem], changed: Changed, *parts: str) -> None:
    """Exactly one problem stands at the marked place, and it says all of `parts`."""
    found = [one for one in problems if (one.line, one.column) == (changed.line, changed.column)]
    shown = "\n".join(map(str, problems)) or "accepted"
    assert len(found) == 1, f"expected one problem at {changed.line}:{changed.column}, got:\n{shown}"
    for part in parts:
        assert part in found[0].text, f"{part!r} is not in: {found[0].text}"
