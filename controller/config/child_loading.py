"""Loading in a child process: YAML and pint take 20 MB that a small long-running process is better without."""

import os
import subprocess
import sys
from pathlib import Path

import msgspec

from controller.errors import FileProblems, Problem
from controller.model.book import Book
from controller.model.fields import Value
from controller.model.profile import Profile

_LONGEST_S = 120.0  # a cold start from a slow card, with room


class LoadedFiles(Value, frozen=True, kw_only=True):
    """What the child prints: the values and warnings, or the problems."""

    profile: Profile | None = None
    book: Book | None = None
    warnings: tuple[Problem, ...] = ()
    problems: tuple[Problem, ...] = ()


def load_in_child(profile_path: Path | str, book_path: Path | str) -> tuple[Profile, Book, list[Problem]]:
    """Profile, book and warnings, as `load` has them. Raises FileProblems as `load` does, or when the child fails."""
    try:
        done = subprocess.run(
            _command(profile_path, book_path),
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=_LONGEST_S,
            check=True,
        )
    except (subprocess.SubprocessError, OSError) as error:
        raise _failed(profile_path, error) from error
    return _loaded(profile_path, done.stdout)


class Loading:
    """The same without waiting for it: when its descriptor can be read, `hear` it, until it is through.

    Raises OSError when no child can be started.
    """

    def __init__(self, profile_path: Path | str, book_path: Path | str) -> None:
        self._profile_path = profile_path
        self._child = subprocess.Popen(
            _command(profile_path, book_path),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        self._said = bytearray()
        os.set_blocking(self.fileno(), False)

    def fileno(self) -> int:
        """The descriptor that can be read when there is something to hear."""
        return self._child.stdout.fileno() if self._child.stdout is not None else -1

    def hear(self) -> bool:
        """Take what has come; whether that was all. Never waits."""
        try:
            data = os.read(self.fileno(), 64 * 1024)
        except BlockingIOError:
            return False
        self._said += data
        return not data

    def result(self) -> tuple[Profile, Book, list[Problem]]:
        """What `load_in_child` returns or raises; once, after `hear` was through or to give up."""
        self._child.kill()  # one that is through has closed its output, and is ending
        self._child.wait()
        if self._child.stdout is not None:
            self._child.stdout.close()
        return _loaded(self._profile_path, bytes(self._said))


def _command(profile_path: Path | str, book_path: Path | str) -> list[str]:
    return [sys.executable, "-m", "controller.config", str(profile_path), str(book_path)]


def _failed(profile_path: Path | str, error: Exception) -> FileProblems:
    text = f"reading it in a child process failed: {error}."
    return FileProblems([Problem(file=str(profile_path), line=1, column=1, text=text)])


def _loaded(profile_path: Path | str, said: bytes) -> tuple[Profile, Book, list[Problem]]:
    try:
        answer = msgspec.json.decode(said, type=LoadedFiles)
    except msgspec.MsgspecError as error:
        raise _failed(profile_path, error) from error
    if answer.profile is None or answer.book is None:
        raise FileProblems(list(answer.problems))
    return answer.profile, answer.book, list(answer.warnings)
