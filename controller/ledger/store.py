"""The engine's ledger: operations with what they delivered, containers, calibrations and weighings, in SQLite.

Intent is on disk before the guard is asked; the end is one transaction with its deliveries and the containers they came
from. Nothing is overwritten but a container's remaining volume and an operation's end.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import msgspec

from controller.errors import RecordError
from controller.model.calibration import Calibration
from controller.model.fields import Value
from controller.model.messages import Delivery, Refusal
from controller.model.states import OperationKind, Outcome

SCHEMA_VERSION = 1

_SCHEMA = """
CREATE TABLE operation (
    operation TEXT PRIMARY KEY, key TEXT UNIQUE, kind TEXT NOT NULL, recipe TEXT, times REAL NOT NULL,
    asked_wall_s REAL NOT NULL, ended_wall_s REAL, outcome TEXT, reason TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX operation_by_time ON operation (asked_wall_s);
CREATE INDEX operation_open ON operation (operation) WHERE outcome IS NULL;
CREATE TABLE delivery (
    operation TEXT NOT NULL REFERENCES operation, line INTEGER NOT NULL, liquid TEXT NOT NULL,
    asked_ml REAL NOT NULL, delivered_ml REAL NOT NULL, worst_ml REAL NOT NULL, on_s REAL NOT NULL,
    PRIMARY KEY (operation, line)
) STRICT, WITHOUT ROWID;
CREATE TABLE refusal (
    operation TEXT NOT NULL REFERENCES operation, rule TEXT NOT NULL, reason TEXT NOT NULL, asked TEXT NOT NULL,
    allowed TEXT NOT NULL, way_out TEXT NOT NULL
) STRICT;
CREATE TABLE container (
    line INTEGER PRIMARY KEY, liquid TEXT NOT NULL, container_ml REAL NOT NULL, remaining_ml REAL NOT NULL,
    hung_wall_s REAL NOT NULL
) STRICT;
CREATE TABLE calibration (
    seq INTEGER PRIMARY KEY, line INTEGER NOT NULL, taken_wall_s REAL NOT NULL, body TEXT NOT NULL
) STRICT;
CREATE TABLE jog_answer (
    seq INTEGER PRIMARY KEY, operation TEXT NOT NULL REFERENCES operation, line INTEGER NOT NULL,
    is_right INTEGER NOT NULL, remark TEXT NOT NULL, wall_s REAL NOT NULL
) STRICT;
CREATE TABLE weighing (
    seq INTEGER PRIMARY KEY, operation TEXT UNIQUE REFERENCES operation, line INTEGER NOT NULL, on_s REAL NOT NULL,
    grams REAL NOT NULL, u_grams REAL NOT NULL, wall_s REAL NOT NULL,
    purpose TEXT NOT NULL, liquid TEXT NOT NULL, settled INTEGER NOT NULL DEFAULT 0
) STRICT;
"""

REFUSED = "refused"  # outcome of an operation that never began


class Entry(Value, frozen=True, kw_only=True):
    """One operation on record; outcome is None while it is open, "refused" when it never began."""

    operation: str
    kind: OperationKind
    recipe: str | None
    times: float
    asked_wall_s: float
    ended_wall_s: float | None
    outcome: str | None
    reason: str
    deliveries: tuple[Delivery, ...] = ()
    refusals: tuple[Refusal, ...] = ()


class Container(Value, frozen=True, kw_only=True):
    """A container on a line and what is left in it."""

    line: int
    liquid: str
    container_ml: float
    remaining_ml: float
    hung_wall_s: float


class Weighing(Value, frozen=True, kw_only=True):
    """One weighed trial of a line; operation is None when it came from a file."""

    operation: str | None
    line: int
    on_s: float
    grams: float
    u_grams: float
    wall_s: float
    liquid: str
    purpose: Literal["calibration", "spot check"] = "calibration"


class JogAnswer(Value, frozen=True, kw_only=True):
    """What a person saw when one line was jogged."""

    operation: str
    line: int
    is_right: bool
    remark: str
    wall_s: float


class Throughput(Value, frozen=True, kw_only=True):
    """What a line has moved since a moment."""

    delivered_ml: float
    on_s: float


class Ledger:
    """The file `path` (":memory:" for none). Every method raises RecordError when the file cannot be used."""

    def __init__(self, path: Path | str) -> None:
        self._path = str(path)
        with self._guarded():
            self._db = sqlite3.connect(self._path, isolation_level=None)
        try:
            with self._guarded():
                self._db.execute("PRAGMA journal_mode = WAL")
                self._db.execute("PRAGMA synchronous = FULL")
                self._db.execute("PRAGMA foreign_keys = ON")
                self._prepare()
        except RecordError:
            self._db.close()
            raise

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def begin(
        self, operation: str, kind: OperationKind, *, wall_s: float, recipe: str | None, times: float, key: str | None
    ) -> None:
        """Record the intent; on disk when this returns."""
        with self._transaction() as db:
            db.execute(
                "INSERT INTO operation (operation, key, kind, recipe, times, asked_wall_s) VALUES (?, ?, ?, ?, ?, ?)",
                (operation, key, kind, recipe, times, wall_s),
            )

    def refuse(self, operation: str, refusals: Sequence[Refusal], *, wall_s: float) -> None:
        """Record that an operation never began, and why."""
        with self._transaction() as db:
            db.execute(
                "UPDATE operation SET outcome = ?, ended_wall_s = ?, reason = ? WHERE operation = ?",
                (REFUSED, wall_s, refusals[0].reason if refusals else "", operation),
            )
            db.execute("DELETE FROM refusal WHERE operation = ?", (operation,))
            db.executemany(
                "INSERT INTO refusal VALUES (?, ?, ?, ?, ?, ?)",
                [(operation, one.rule, one.reason, one.asked, one.allowed, one.way_out) for one in refusals],
            )

    def end(
        self, operation: str, outcome: Outcome, reason: str, deliveries: Sequence[Delivery], *, wall_s: float
    ) -> bool:
        """Record the end and take the deliveries from their containers; False when it had ended before."""
        with self._transaction() as db:
            done = db.execute(
                "UPDATE operation SET outcome = ?, ended_wall_s = ?, reason = ?"
                " WHERE operation = ? AND outcome IS NULL",
                (outcome, wall_s, reason, operation),
            )
            if done.rowcount == 0:
                return False
            for one in deliveries:
                db.execute(
                    "INSERT INTO delivery VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (operation, one.line, one.liquid, one.asked_ml, one.delivered_ml, one.worst_ml, one.on_s),
                )
                db.execute(
                    "UPDATE container SET remaining_ml = max(0, remaining_ml - ?) WHERE line = ?",
                    (one.delivered_ml if outcome == Outcome.DONE else one.worst_ml, one.line),
                )
        return True

    def entry(self, operation: str) -> Entry | None:
        """One operation with its deliveries and refusals, or None."""
        found = self._entries("WHERE operation = ?", (operation,))
        return found[0] if found else None

    def operation_of_key(self, key: str) -> str | None:
        """The operation that was asked for with this key, or None."""
        row = self._one("SELECT operation FROM operation WHERE key = ?", (key,))
        return None if row is None else str(row[0])

    def open_operations(self) -> tuple[str, ...]:
        """Operations on record without an end, oldest first."""
        rows = self._all("SELECT operation FROM operation WHERE outcome IS NULL ORDER BY asked_wall_s")
        return tuple(str(row[0]) for row in rows)

    def history(self, limit: int) -> tuple[Entry, ...]:
        """The latest operations, newest first."""
        return self._entries("ORDER BY asked_wall_s DESC, rowid DESC LIMIT ?", (limit,))

    def hang(self, container: Container) -> None:
        """A container now hangs on its line, in place of the one before."""
        with self._transaction() as db:
            db.execute(
                "INSERT OR REPLACE INTO container VALUES (?, ?, ?, ?, ?)",
                (
                    container.line,
                    container.liquid,
                    container.container_ml,
                    container.remaining_ml,
                    container.hung_wall_s,
                ),
            )

    def containers(self) -> dict[int, Container]:
        """Line -> container."""
        rows = self._all("SELECT line, liquid, container_ml, remaining_ml, hung_wall_s FROM container")
        return {
            row[0]: Container(line=row[0], liquid=row[1], container_ml=row[2], remaining_ml=row[3], hung_wall_s=row[4])
            for row in rows
        }

    def add_calibration(self, calibration: Calibration) -> None:
        """Append a calibration; those before it stay on record."""
        with self._transaction() as db:
            db.execute(
                "INSERT INTO calibration (line, taken_wall_s, body) VALUES (?, ?, ?)",
                (calibration.line, calibration.taken_wall_s, msgspec.json.encode(calibration).decode()),
            )

    def calibrations(self, line: int) -> tuple[Calibration, ...]:
        """All calibrations of a line, oldest first."""
        rows = self._all("SELECT body FROM calibration WHERE line = ? ORDER BY seq", (line,))
        return tuple(msgspec.json.decode(row[0], type=Calibration) for row in rows)

    def weigh(self, weighing: Weighing) -> None:
        """Record a weighing; a second one of the same operation replaces the first."""
        with self._transaction() as db:
            db.execute(
                "INSERT OR REPLACE INTO weighing (operation, line, on_s, grams, u_grams, wall_s, purpose, liquid)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    weighing.operation,
                    weighing.line,
                    weighing.on_s,
                    weighing.grams,
                    weighing.u_grams,
                    weighing.wall_s,
                    weighing.purpose,
                    weighing.liquid,
                ),
            )

    def settle_weighings(self, line: int, *, spot_checks: bool) -> None:
        """The line's weighings so far are used or thrown away, its spot checks too if asked; they stay on record."""
        with self._transaction() as db:
            db.execute(
                "UPDATE weighing SET settled = 1 WHERE line = ? AND (purpose = 'calibration' OR ?)", (line, spot_checks)
            )

    def open_weighings(self, line: int, purpose: str = "calibration") -> tuple[Weighing, ...]:
        """Weighings of a line for this purpose that no later calibration has settled, oldest first."""
        rows = self._all(
            "SELECT operation, line, on_s, grams, u_grams, wall_s, liquid, purpose FROM weighing"
            " WHERE line = ? AND purpose = ? AND settled = 0 ORDER BY seq",
            (line, purpose),
        )
        return tuple(
            Weighing(
                operation=row[0],
                line=row[1],
                on_s=row[2],
                grams=row[3],
                u_grams=row[4],
                wall_s=row[5],
                liquid=row[6],
                purpose=row[7],
            )
            for row in rows
        )

    def answer_jog(self, answer: JogAnswer) -> None:
        """Record what a person saw."""
        with self._transaction() as db:
            db.execute(
                "INSERT INTO jog_answer (operation, line, is_right, remark, wall_s) VALUES (?, ?, ?, ?, ?)",
                (answer.operation, answer.line, answer.is_right, answer.remark, answer.wall_s),
            )

    def jog_answers(self) -> tuple[JogAnswer, ...]:
        """The latest answer of every line, by line."""
        rows = self._all(
            "SELECT operation, line, is_right, remark, wall_s FROM jog_answer"
            " WHERE seq IN (SELECT max(seq) FROM jog_answer GROUP BY line) ORDER BY line"
        )
        return tuple(
            JogAnswer(operation=row[0], line=row[1], is_right=bool(row[2]), remark=row[3], wall_s=row[4])
            for row in rows
        )

    def throughput(self, line: int, since_wall_s: float) -> Throughput:
        """What a line has delivered, and how long it was on, in operations asked for since then (Unix s)."""
        row = self._one(
            "SELECT coalesce(sum(delivered_ml), 0), coalesce(sum(on_s), 0) FROM delivery"
            " JOIN operation USING (operation) WHERE line = ? AND asked_wall_s >= ?",
            (line, since_wall_s),
        )
        return Throughput(delivered_ml=0.0, on_s=0.0) if row is None else Throughput(delivered_ml=row[0], on_s=row[1])

    def _entries(self, where: str, arguments: tuple[object, ...]) -> tuple[Entry, ...]:
        rows = self._all(
            "SELECT operation, kind, recipe, times, asked_wall_s, ended_wall_s, outcome, reason FROM operation "
            + where,
            arguments,
        )
        return tuple(
            Entry(
                operation=row[0],
                kind=OperationKind(row[1]),
                recipe=row[2],
                times=row[3],
                asked_wall_s=row[4],
                ended_wall_s=row[5],
                outcome=row[6],
                reason=row[7],
                deliveries=self._deliveries(row[0]),
                refusals=self._refusals(row[0]),
            )
            for row in rows
        )

    def _deliveries(self, operation: str) -> tuple[Delivery, ...]:
        rows = self._all(
            "SELECT line, liquid, asked_ml, delivered_ml, worst_ml, on_s FROM delivery WHERE operation = ?",
            (operation,),
        )
        return tuple(
            Delivery(line=row[0], liquid=row[1], asked_ml=row[2], delivered_ml=row[3], worst_ml=row[4], on_s=row[5])
            for row in rows
        )

    def _refusals(self, operation: str) -> tuple[Refusal, ...]:
        rows = self._all(
            "SELECT rule, reason, asked, allowed, way_out FROM refusal WHERE operation = ? ORDER BY rowid", (operation,)
        )
        return tuple(
            Refusal(request=operation, rule=row[0], reason=row[1], asked=row[2], allowed=row[3], way_out=row[4])
            for row in rows
        )

    def _prepare(self) -> None:
        version = self._db.execute("PRAGMA user_version").fetchone()[0]
        if version == 0:
            self._db.executescript(f"BEGIN; {_SCHEMA} PRAGMA user_version = {SCHEMA_VERSION}; COMMIT;")
        elif version != SCHEMA_VERSION:
            raise RecordError(
                f"{self._path} has schema version {version}, this Tundish writes version {SCHEMA_VERSION}. "
                "Use the Tundish that wrote it, or move the file away to begin a new ledger."
            )

    def _all(self, sql: str, arguments: tuple[object, ...] = ()) -> list[tuple[Any, ...]]:
        with self._guarded():
            return self._db.execute(sql, arguments).fetchall()

    def _one(self, sql: str, arguments: tuple[object, ...]) -> tuple[Any, ...] | None:
        rows = self._all(sql, arguments)
        return rows[0] if rows else None

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._guarded():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    @contextmanager
    def _guarded(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise RecordError(
                f"ledger {self._path}: {error}. Check free space, ownership and the card; the pumps stay off meanwhile."
            ) from error
