"""Answers of the ledger that come part by part, put together; and the work of the statements behind them."""

from contextlib import contextmanager
from itertools import chain

STEPS = 100  # of SQLite's virtual machine, between two looks at how far a statement has come


def all_of(parts):
    return tuple(chain.from_iterable(parts))


@contextmanager
def statements(ledger):
    """Within it, what each statement takes: [steps of SQLite's virtual machine, rows]."""
    database = ledger
    found: list[list[int]] = []
    ask = database.all

    def step():
        found[-1][0] += STEPS

    def counted(sql, arguments=()):
        found.append([0, 0])
        rows = ask(sql, arguments)
        found[-1][1] = len(rows)
        return rows

    database.all = counted
    database._db.set_progress_handler(step, STEPS)
    try:
        yield found
    finally:
        database._db.set_progress_handler(None, 0)
        del database.all
