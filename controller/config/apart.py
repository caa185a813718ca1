"""Loading in a child process: YAML and pint take 20 MB that a small long-running process is better without."""

import subprocess
import sys
from pathlib import Path

import msgspec

from controller.errors import FileProblems, Problem
from controller.model.book import Book
from controller.model.fields import Value
from controller.model.profile import Profile

_LONGEST_S = 120.0  # a cold start from a slow card, with room


class Answer(Value, frozen=True, kw_only=True):
    """What the child prints: the values and warnings, or the problems."""

    profile: Profile | None = None
    book: Book | None = None
    warnings: tuple[Problem, ...] = ()
    problems: tuple[Problem, ...] = ()


def load_apart(profile_path: Path | str, book_path: Path | str) -> tuple[Profile, Book, list[Problem]]:
    """Profile, book and warnings, as `load` has them. Raises FileProblems as `load` does, or when the child fails."""
    command = [sys.executable, "-m", "controller.config", str(profile_path), str(book_path)]
    try:
        done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, timeout=_LONGEST_S, check=True)
        answer = msgspec.json.decode(done.stdout, type=Answer)
    except (subprocess.SubprocessError, OSError, msgspec.MsgspecError) as error:
        text = f"reading it in a child process failed: {error}."
        raise FileProblems([Problem(file=str(profile_path), line=1, column=1, text=text)]) from error
    if answer.profile is None or answer.book is None:
        raise FileProblems(list(answer.problems))
    return answer.profile, answer.book, list(answer.warnings)
