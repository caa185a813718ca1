"""`python -m controller.config PROFILE BOOK`: the child of `load_in_child`; prints an Answer as JSON."""

import os
import sys
from contextlib import suppress

import msgspec

from controller.config.child_loading import LoadedFiles
from controller.config.loading import load
from controller.errors import FileProblems


def main(profile_path: str, book_path: str) -> None:
    """Load both files and print the result."""
    with suppress(OSError):  # where the sandbox allows it: the guard may come before all others, reading need not
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    try:
        profile, book, warnings = load(profile_path, book_path)
        answer = LoadedFiles(profile=profile, book=book, warnings=tuple(warnings))
    except FileProblems as error:
        answer = LoadedFiles(problems=tuple(error.problems))
    sys.stdout.buffer.write(msgspec.json.encode(answer))


if __name__ == "__main__":
    main(*sys.argv[1:])
