"""What happened to each line beside servings: a record that an inspector may read, and guided sequences under way."""

from collections.abc import Iterator

from controller.ledger.database import Tables, columns_of, insert, value_of
from controller.ledger.history import ENTRIES, ROWS
from controller.ledger.records import LineNote, NoteEvent, OpenSequence
from controller.model.evening import RecordRow
from controller.model.states import OperationKind

WET = (OperationKind.PRIME, OperationKind.PURGE, OperationKind.CLEAN, OperationKind.RINSE)


class LineNotes(Tables):
    """The notes in a ledger's database. Nothing in them is ever changed."""

    def add(self, note: LineNote) -> None:
        """Add a note."""
        with self._database.transaction() as db:
            insert(db, "line_note", note)

    def latest(self, line: int, event: NoteEvent) -> LineNote | None:
        """The newest note of this kind about a line."""
        latest = "FROM line_note WHERE line = ? AND event = ? ORDER BY wall_s DESC, seq DESC LIMIT 1"
        return next(iter(self._database.values(LineNote, latest, line, event)), None)

    def between(self, since_wall_s: float, until_wall_s: float) -> Iterator[tuple[LineNote, ...]]:
        """Notes from since to before until (Unix s), oldest first, part by part."""
        after: tuple[float, int] = (since_wall_s, -1)
        while True:
            rows = self._database.all(
                f"SELECT {columns_of(LineNote)}, seq FROM line_note"
                " WHERE (wall_s, seq) > (?, ?) AND wall_s < ? ORDER BY wall_s, seq LIMIT ?",
                (*after, until_wall_s, ROWS),
            )
            yield tuple(value_of(LineNote, row[:-1]) for row in rows)
            if len(rows) < ROWS:
                return
            after = (rows[-1][0], rows[-1][5])

    def wet_runs(self, since_wall_s: float, until_wall_s: float) -> Iterator[tuple[RecordRow, ...]]:
        """Runs asked for from since to before until (Unix s), part by part: of each kind oldest first, by line."""
        for kind in WET:
            after: tuple[float, int] = (since_wall_s, -1)
            while True:
                rows = self._database.all(
                    "SELECT o.asked_wall_s, d.line, o.kind, printf('%s, %.0f s', d.liquid, d.on_s) || CASE o.reason"
                    " WHEN '' THEN '' ELSE ' (' || o.reason || ')' END || CASE WHEN w.seq IS NULL THEN '' ELSE"
                    " printf('; all lines together weighed %.0f mL', w.volume_ml) END, d.delivered_ml, o.outcome,"
                    " o.seq FROM"
                    " (SELECT * FROM operation WHERE kind <> 'serve' AND kind = ? AND (asked_wall_s, seq) > (?, ?)"
                    " AND asked_wall_s < ? ORDER BY asked_wall_s, seq LIMIT ?) o"
                    " LEFT JOIN delivery d ON d.asked_wall_s = o.asked_wall_s AND d.seq = o.seq"
                    " LEFT JOIN weighed_serving w ON w.seq = o.seq",
                    (kind, *after, until_wall_s, ENTRIES),
                )
                yield tuple(value_of(RecordRow, row[:-1]) for row in rows if row[1] is not None)
                if len({row[-1] for row in rows}) < ENTRIES:
                    break
                after = max((row[0], row[-1]) for row in rows)


class SequenceRecords(Tables):
    """Guided sequences in a ledger's database; one of a kind and line may be open."""

    def open(self, *kinds: str) -> tuple[OpenSequence, ...]:
        """Those of these kinds that are under way, oldest first."""
        found = self._database.values(OpenSequence, "FROM sequence WHERE ended_wall_s IS NULL ORDER BY seq")
        return tuple(one for one in found if one.kind in kinds)

    def begin(self, kind: str, line: int, body: str, *, wall_s: float) -> None:
        """Open a sequence; RecordError when one of this kind and line is open."""
        begin = "INSERT INTO sequence (kind, line, begun_wall_s, body) VALUES (?, ?, ?, ?)"
        self._database.change(begin, kind, line, wall_s, body)

    def update(self, seq: int, body: str) -> None:
        """Replace the body of a sequence."""
        self._database.change("UPDATE sequence SET body = ? WHERE seq = ?", body, seq)

    def end(self, seq: int, outcome: str, *, wall_s: float) -> None:
        """Close a sequence: "done" or "dropped"."""
        end = "UPDATE sequence SET ended_wall_s = ?, outcome = ? WHERE seq = ?"
        self._database.change(end, wall_s, outcome, seq)
