"""What was asked of the machine, looked at from many sides. Queries keep to the indices of the schema."""

from typing import Any

from controller.ledger.database import Database
from controller.ledger.records import Entry, Wanted
from controller.model.evening import RuleCount, Usage
from controller.model.messages import Delivery, Refusal
from controller.model.states import OperationKind, Outcome

_COLUMNS = (
    "o.seq, o.operation, o.kind, o.recipe, o.times, o.asked_wall_s, o.ended_wall_s, o.outcome, o.reason, o.rest_of,"
    " o.request, o.changes"
)


class Past:
    """Operations in a ledger's database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def entry(self, operation: str) -> Entry | None:
        """One operation with its deliveries and refusals, or None."""
        row = self._database.one(f"SELECT {_COLUMNS} FROM operation o WHERE o.operation = ?", (operation,))
        return None if row is None else self._entry(row)

    def page(self, wanted: Wanted) -> tuple[Entry, ...]:
        """The operations that are wanted, newest first."""
        return tuple(map(self._entry, self._database.all(*page_query(wanted))))

    def usage(
        self,
        *,
        since_evening: str = "",
        until_evening: str = "9999-12-31",
        liquid: str | None = None,
        recipe: str | None = None,
        line: int | None = None,
    ) -> tuple[Usage, ...]:
        """What went through by evening and liquid, from since to until (both included), newest evening first."""
        rows = self._database.all(
            "SELECT evening, liquid, sum(served * operations), sum(served * asked_ml), sum(served * delivered_ml),"
            " sum((1 - served) * delivered_ml) FROM usage"
            " WHERE evening >= ? AND evening <= ? AND liquid = coalesce(?, liquid) AND recipe = coalesce(?, recipe)"
            " AND line = coalesce(?, line) AND liquid NOT IN ('air', 'cleaner', 'rinse water')"
            " GROUP BY evening, liquid ORDER BY evening DESC, liquid",
            (since_evening, until_evening, liquid, recipe, line),
        )
        return tuple(
            Usage(evening=row[0], liquid=row[1], doses=row[2], asked_ml=row[3], poured_ml=row[4], other_ml=row[5])
            for row in rows
        )

    def refusals(self, *, since_evening: str = "", until_evening: str = "9999-12-31") -> tuple[RuleCount, ...]:
        """How often each rule refused, from since to until (evenings, both included), the busiest first."""
        rows = self._database.all(
            "SELECT rule, count(*) FROM refusal WHERE evening >= ? AND evening <= ? GROUP BY rule ORDER BY 2 DESC, 1",
            (since_evening, until_evening),
        )
        return tuple(RuleCount(rule=row[0], refusals=row[1]) for row in rows)

    def is_rest_poured(self, operation: str) -> bool:
        """Whether what this operation owed has been asked for, and not refused."""
        row = self._database.one(
            "SELECT count(*) FROM operation WHERE rest_of = ? AND outcome IS NOT 'refused'", (operation,)
        )
        return row is not None and row[0] > 0

    def _entry(self, row: tuple[Any, ...]) -> Entry:
        return Entry(
            operation=row[1],
            kind=OperationKind(row[2]),
            recipe=row[3],
            times=row[4],
            asked_wall_s=row[5],
            ended_wall_s=row[6],
            outcome=row[7],
            reason=row[8],
            deliveries=self._deliveries(row[0], row[5]),
            refusals=self._refusals(row[0], row[1]),
            rest_of=row[9],
            request=row[10],
            changes=tuple(row[11].splitlines()),
        )

    def _deliveries(self, seq: int, asked_wall_s: float) -> tuple[Delivery, ...]:
        rows = self._database.all(
            "SELECT line, liquid, asked_ml, delivered_ml, worst_ml, on_s FROM delivery"
            " WHERE asked_wall_s = ? AND seq = ? ORDER BY line",
            (asked_wall_s, seq),
        )
        return tuple(
            Delivery(line=row[0], liquid=row[1], asked_ml=row[2], delivered_ml=row[3], worst_ml=row[4], on_s=row[5])
            for row in rows
        )

    def _refusals(self, seq: int, operation: str) -> tuple[Refusal, ...]:
        rows = self._database.all(
            "SELECT rule, reason, asked, allowed, way_out FROM refusal WHERE seq = ? ORDER BY rowid", (seq,)
        )
        return tuple(
            Refusal(request=operation, rule=row[0], reason=row[1], asked=row[2], allowed=row[3], way_out=row[4])
            for row in rows
        )


def page_query(wanted: Wanted) -> tuple[str, tuple[object, ...]]:
    """SQL and arguments for a page of the past: one index gives rows in the order of time and can stop at the limit."""
    source, at = "operation o", "o"
    if wanted.line is not None and (wanted.recipe, wanted.kind, wanted.outcome) == (None, None, None):
        source, at = "delivery d CROSS JOIN operation o ON o.seq = d.seq", "d"
    elif wanted.line is not None:
        source += " CROSS JOIN delivery d ON d.asked_wall_s = o.asked_wall_s AND d.seq = o.seq"
    conditions: list[tuple[str, object]] = [
        (f"{at}.asked_wall_s >= ?", wanted.since_wall_s),
        (f"{at}.asked_wall_s < ?", wanted.until_wall_s),
        ("d.line = ?", wanted.line),
        ("o.recipe = ?", wanted.recipe),
        ("o.kind = ?", wanted.kind),
        ("o.outcome = ?", wanted.outcome),
        (
            f"({at}.asked_wall_s, {at}.seq) < (SELECT asked_wall_s, seq FROM operation WHERE operation = ?)",
            wanted.before,
        ),
    ]
    where = ["TRUE", *(text for text, value in conditions if value is not None)]
    arguments = tuple(value for _, value in conditions if value is not None)
    # A partial index is used only when its own condition stands in the query.
    if wanted.kind not in (None, OperationKind.SERVE):
        where.append("o.kind <> 'serve'")
    if wanted.outcome not in (None, Outcome.DONE):
        where.append("o.outcome <> 'done'")
    order = f"ORDER BY {at}.asked_wall_s DESC, {at}.seq DESC LIMIT ?"
    return f"SELECT {_COLUMNS} FROM {source} WHERE {' AND '.join(where)} {order}", (*arguments, wanted.limit)
