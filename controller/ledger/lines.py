"""What happened to each line beside servings: a record that an inspector may read, and guided sequences under way."""

import sqlite3
from collections.abc import Iterator
from typing import Any

from controller.ledger.database import Database
from controller.ledger.history import ENTRIES, ROWS
from controller.ledger.records import LineNote, NoteEvent, OpenSequence, WetRun
from controller.model.states import OperationKind

WET = (OperationKind.PRIME, OperationKind.PURGE, OperationKind.CLEAN, OperationKind.RINSE)


def add_note(db: sqlite3.Connection, note: LineNote) -> None:
    """Add a note within a transaction."""
    db.execute(
        "INSERT INTO line_note (wall_s, line, event, text, person) VALUES (?, ?, ?, ?, ?)",
        (note.wall_s, note.line, note.event, note.text, note.person),
    )


class LineNotes:
    """The notes in a ledger's database. Nothing in them is ever changed."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(self, note: LineNote) -> None:
        """Add a note."""
        with self._database.transaction() as db:
            add_note(db, note)

    def latest(self, line: int, event: NoteEvent) -> LineNote | None:
        """The newest note of this kind about a line."""
        row = self._database.one(
            "SELECT wall_s, line, event, text, person FROM line_note WHERE line = ? AND event = ?"
            " ORDER BY wall_s DESC, seq DESC LIMIT 1",
            (line, event),
        )
        return None if row is None else LineNote(wall_s=row[0], line=row[1], event=row[2], text=row[3], person=row[4])

    def between(self, since_wall_s: float, until_wall_s: float) -> Iterator[tuple[LineNote, ...]]:
        """Notes from since to before until (Unix s), oldest first, part by part."""
        after: tuple[float, int] = (since_wall_s, -1)
        while True:
            rows = self._database.all(
                "SELECT wall_s, line, event, text, person, seq FROM line_note"
                " WHERE (wall_s, seq) > (?, ?) AND wall_s < ? ORDER BY wall_s, seq LIMIT ?",
                (*after, until_wall_s, ROWS),
            )
            yield tuple(LineNote(wall_s=row[0], line=row[1], event=row[2], text=row[3], person=row[4]) for row in rows)
            if len(rows) < ROWS:
                return
            after = (rows[-1][0], rows[-1][5])

    def wet_runs(self, since_wall_s: float, until_wall_s: float) -> Iterator[tuple[WetRun, ...]]:
        """Runs asked for from since to before until (Unix s), part by part: of each kind oldest first, by line."""
        for kind in WET:
            after: tuple[float, int] = (since_wall_s, -1)
            while True:
                rows = self._database.all(
                    "SELECT o.asked_wall_s, d.line, o.operation, o.kind, o.outcome, o.reason, d.liquid, d.delivered_ml,"
                    " d.on_s, o.seq FROM (SELECT * FROM operation WHERE kind <> 'serve' AND kind = ?"
                    " AND (asked_wall_s, seq) > (?, ?) AND asked_wall_s < ? ORDER BY asked_wall_s, seq LIMIT ?) o"
                    " LEFT JOIN delivery d ON d.asked_wall_s = o.asked_wall_s AND d.seq = o.seq",
                    (kind, *after, until_wall_s, ENTRIES),
                )
                yield tuple(_wet_run(row) for row in rows if row[1] is not None)
                if len({row[9] for row in rows}) < ENTRIES:
                    break
                after = max((row[0], row[9]) for row in rows)


def _wet_run(row: tuple[Any, ...]) -> WetRun:
    return WetRun(
        wall_s=row[0],
        line=row[1],
        operation=row[2],
        kind=OperationKind(row[3]),
        outcome=row[4],
        reason=row[5],
        liquid=row[6],
        delivered_ml=row[7],
        on_s=row[8],
    )


class Sequences:
    """Guided sequences in a ledger's database; one of a kind and line may be open."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def open(self) -> tuple[OpenSequence, ...]:
        """Those under way, oldest first."""
        rows = self._database.all(
            "SELECT seq, kind, line, begun_wall_s, body FROM sequence WHERE ended_wall_s IS NULL ORDER BY seq"
        )
        return tuple(
            OpenSequence(seq=row[0], kind=row[1], line=row[2], begun_wall_s=row[3], body=row[4]) for row in rows
        )

    def begin(self, kind: str, line: int, body: str, *, wall_s: float) -> None:
        """Open a sequence; RecordError when one of this kind and line is open."""
        with self._database.transaction() as db:
            db.execute(
                "INSERT INTO sequence (kind, line, begun_wall_s, body) VALUES (?, ?, ?, ?)", (kind, line, wall_s, body)
            )

    def update(self, seq: int, body: str) -> None:
        """Replace the body of a sequence."""
        with self._database.transaction() as db:
            db.execute("UPDATE sequence SET body = ? WHERE seq = ?", (body, seq))

    def end(self, seq: int, outcome: str, *, wall_s: float) -> None:
        """Close a sequence: "done" or "dropped"."""
        with self._database.transaction() as db:
            db.execute("UPDATE sequence SET ended_wall_s = ?, outcome = ? WHERE seq = ?", (wall_s, outcome, seq))
