"""What was asked of the machine, looked at from many sides.

The ledger is one process's alone and its loop may not stand still, so what can be long is given part by part: each part
looks at ROWS rows at most, by an index, and who asked does something else before the next. What is booked meanwhile may
be in the answer or not.
"""

import math
from collections import Counter
from collections.abc import Iterator
from typing import Any

from controller.ledger.database import Tables, columns_of, value_of
from controller.ledger.records import Entry, Intent, evening_of
from controller.ledger.schema import SPAN_S
from controller.model.evening import Usage
from controller.model.messages import Delivery, Refusal
from controller.model.requests import HistoryQuery, PastQuery, UsageQuery
from controller.model.states import OperationKind
from controller.model.weighing import WeighedDose, WeighedServing

ROWS = 250  # of a table looked at for one part
ENTRIES = 20  # operations looked at for one part: each may be shown with its deliveries and refusals

# The number of an operation's row, then what an entry takes from it, in the order of its fields.
_COLUMNS = f"seq, {columns_of(Intent)}, ended_wall_s, outcome, reason, unweighed"
_CHANGES = 1 + Intent.__struct_fields__.index("changes")


class Past(Tables):
    """Operations in a ledger's database."""

    def entry(self, operation: str) -> Entry | None:
        """One operation with its deliveries and refusals, or None."""
        row = self._database.one(f"SELECT {_COLUMNS} FROM operation WHERE operation = ?", (operation,))
        return None if row is None else self._entry(row)

    def page(self, wanted: HistoryQuery) -> Iterator[tuple[Entry, ...]]:
        """The operations that are wanted, newest first."""
        before = (math.inf if wanted.until_wall_s is None else wanted.until_wall_s, -1)
        if wanted.before is not None:
            row = self._database.one("SELECT asked_wall_s, seq FROM operation WHERE operation = ?", (wanted.before,))
            before = before if row is None else min(before, (row[0], row[1]))
        left = wanted.limit
        while left > 0:
            rows = self._database.all(*page_query(wanted, before))
            entries = tuple(self._entry(row) for row in [row[:-1] for row in rows if row[-1]][:left])
            yield entries
            if len(rows) < ENTRIES:
                return
            left -= len(entries)
            before = (rows[-1][3], rows[-1][0])

    def usage(self, query: UsageQuery) -> Iterator[tuple[Usage, ...]]:
        """What went through by evening and liquid, oldest evening first; whole evenings."""
        sums: dict[tuple[str, str], list[float]] = {}
        first, last = _evenings(query)
        after: tuple[object, ...] = (first, -1, "", "", -1)
        asked = enumerate((query.recipe, query.liquid, query.line), 2)
        wanted = tuple((place, value) for place, value in asked if value is not None)
        is_over = False
        while not is_over:
            rows = self._database.all(
                "SELECT evening, served, recipe, liquid, line, operations, asked_ml, delivered_ml FROM usage"
                " WHERE (evening, served, recipe, liquid, line) > (?, ?, ?, ?, ?) AND evening <= ?"
                " ORDER BY evening, served, recipe, liquid, line LIMIT ?",
                (*after, last, ROWS),
            )
            is_over = len(rows) < ROWS
            for row in rows:
                if row[3] not in _NO_DRINKS and all(row[place] == value for place, value in wanted):
                    _add(sums.setdefault((row[0], row[3]), [0, 0.0, 0.0, 0.0]), row)
            after = rows[-1][:5] if rows else after
            whole = sorted(key for key in sums if is_over or key[0] != after[0])
            yield tuple(_usage(key, sums.pop(key)) for key in whole)

    def throughput(self, line: int, since_wall_s: float) -> tuple[float, float]:
        """What a line has delivered (mL), and how long it was on (s), in operations asked for since then (Unix s)."""
        span = span_of(since_wall_s)
        row = self._database.one(
            "SELECT coalesce(sum(delivered_ml), 0), coalesce(sum(on_s), 0) FROM ("
            " SELECT delivered_ml, on_s FROM throughput WHERE line = ? AND span > ? UNION ALL"
            " SELECT delivered_ml, on_s FROM delivery WHERE line = ? AND asked_wall_s >= ? AND asked_wall_s < ?)",
            (line, span, line, since_wall_s, float((span + 1) * SPAN_S)),
        )
        return (row[0], row[1]) if row else (0.0, 0.0)

    def refusals(self, query: PastQuery) -> Iterator[Counter[str]]:
        """How often each rule refused; whole evenings."""
        first, last = _evenings(query)
        after: tuple[object, ...] = (first, "", -1)
        while True:
            rows = self._database.all(
                "SELECT evening, rule, rowid FROM refusal WHERE (evening, rule, rowid) > (?, ?, ?) AND evening <= ?"
                " ORDER BY evening, rule, rowid LIMIT ?",
                (*after, last, ROWS),
            )
            yield Counter(row[1] for row in rows)
            if len(rows) < ROWS:
                return
            after = rows[-1]

    def is_rest_poured(self, operation: str) -> bool:
        """Whether what this operation owed has been asked for, and not refused."""
        row = self._database.one(
            "SELECT count(*) FROM operation WHERE rest_of = ? AND outcome IS NOT 'refused'", (operation,)
        )
        return row is not None and row[0] > 0

    def _entry(self, row: tuple[Any, ...]) -> Entry:
        seq, operation, _, asked_wall_s = row[:4]
        deliveries = self._database.all(
            f"SELECT {columns_of(Delivery)}, weighed_ml, u_weighed_ml FROM delivery"
            " WHERE asked_wall_s = ? AND seq = ? ORDER BY line",
            (asked_wall_s, seq),
        )
        refusals = self._database.all(
            "SELECT ?, rule, reason, asked, allowed, way_out FROM refusal WHERE seq = ? ORDER BY rowid",
            (operation, seq),
        )
        weighed = self._database.values(WeighedServing, "FROM weighed_serving WHERE seq = ?", seq)
        return value_of(
            Entry,
            row[1:],
            weighed=next(iter(weighed), None),
            changes=row[_CHANGES].splitlines(),
            deliveries=[value_of(Delivery, one) for one in deliveries],
            doses={one[0]: value_of(WeighedDose, one[6:]) for one in deliveries if one[6] is not None},
            refusals=[value_of(Refusal, one) for one in refusals],
        )


_NO_DRINKS = ("air", "cleaner", "rinse water")


def _evenings(query: PastQuery) -> tuple[str, str]:
    """The first and the last evening that the time asked about touches."""
    since = "" if query.since_wall_s is None else evening_of(query.since_wall_s)
    return since, "9999-12-31" if query.until_wall_s is None else evening_of(query.until_wall_s - 1.0)


def span_of(wall_s: float) -> int:
    """The number of the span of time that running totals are kept by."""
    return int(wall_s // SPAN_S)


def _add(sums: list[float], row: tuple[Any, ...]) -> None:
    served, (operations, asked_ml, delivered_ml) = row[1], row[5:]
    if served:
        sums[0] += operations
        sums[1] += asked_ml
    sums[2 if served else 3] += delivered_ml


def _usage(key: tuple[str, str], sums: list[float]) -> Usage:
    return value_of(Usage, (*key, int(sums[0]), *sums[1:]))


def page_query(wanted: HistoryQuery, before: tuple[float, int]) -> tuple[str, tuple[object, ...]]:
    """SQL and arguments for the next operations before this time and number, the last column: whether it is wanted.

    One index gives them in the order of time and can stop after ENTRIES.
    """
    kind = wanted.kind if wanted.kind is not OperationKind.SERVE else None
    outcome = wanted.outcome if wanted.outcome != "done" else None
    walked, value = "recipe = ?", wanted.recipe
    # A partial index is used only when its own condition stands in the query.
    if value is None:
        walked, value = "kind <> 'serve' AND kind = ?", kind
    if value is None:
        walked, value = "outcome <> 'done' AND outcome = ?", outcome
    if value is None:
        walked, value = "? = ''", ""
    is_wanted = (
        "kind = coalesce(?, kind) AND coalesce(outcome, '') = coalesce(?, outcome, '') AND (? IS NULL OR EXISTS (SELECT"
        " 1 FROM delivery d WHERE d.asked_wall_s = o.asked_wall_s AND d.seq = o.seq AND d.line = ?))"
    )
    sql = (
        f"SELECT {_COLUMNS}, {is_wanted} FROM (SELECT * FROM operation WHERE {walked} AND asked_wall_s >= ?"
        " AND (asked_wall_s, seq) < (?, ?) ORDER BY asked_wall_s DESC, seq DESC LIMIT ?) o"
    )
    asked = (wanted.kind, wanted.outcome, wanted.line, wanted.line)
    return sql, (*asked, value, wanted.since_wall_s or 0.0, *before, ENTRIES)
