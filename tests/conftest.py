"""Shared by all tests: nothing is left behind."""

import sqlite3
import threading
from contextlib import suppress
from pathlib import Path

import pytest
import structlog

from controller.ledger.database import Database


@pytest.fixture(autouse=True)
def nothing_left_behind():
    before = set(threading.enumerate())
    yield
    structlog.reset_defaults()
    structlog.contextvars.clear_contextvars()
    left = {thread for thread in threading.enumerate() if thread not in before and not thread.daemon}
    assert not left, f"a test left threads running: {left}"


@pytest.fixture(autouse=True)
def ledgers_in_memory_end_with_their_test():
    """A file that is left open is a warning from Python 3.13 on, and so a failure."""
    opened = []
    begin = Database.__init__

    def remember(self: Database, path: Path | str) -> None:
        begin(self, path)
        if str(path) == ":memory:":
            opened.append(self)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Database, "__init__", remember)
        yield
    for database in opened:
        with suppress(sqlite3.ProgrammingError):  # another thread's, which has closed it
            database.close()


def pytest_terminal_summary(terminalreporter):
    """A machine without a browser is said aloud: what only a browser can show was not shown."""
    skipped = terminalreporter.stats.get("skipped", ())
    unseen = [one for one in skipped if isinstance(one.longrepr, tuple) and "no browser" in one.longrepr[2]]
    if unseen:
        terminalreporter.write_line(
            f"NOT TESTED: {len(unseen)} tests of the page need a browser (apt-get install chromium-headless-shell).",
            red=True,
            bold=True,
        )
