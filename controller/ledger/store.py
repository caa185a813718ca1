"""The engine's ledger: operations with what they delivered, containers, calibrations and weighings, in SQLite.

Intent is on disk before the guard is asked; the end is one transaction with its deliveries and the containers they came
from. Nothing is overwritten but a container's remaining volume, an operation's end and the state of a sequence.
"""

import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path

import msgspec

from controller.ledger.database import Database, insert
from controller.ledger.history import Past, span_of
from controller.ledger.learned import Learned
from controller.ledger.lines import LineNotes, SequenceRecords
from controller.ledger.orders import OrderBook
from controller.ledger.records import (
    REFUSED,
    Container,
    Correction,
    Entry,
    Intent,
    JogAnswer,
    LineNote,
    Redrawn,
    Spread,
    Weighing,
    evening_of,
)
from controller.ledger.stock import StockRecords, doubt, draw, rebook, redraw
from controller.model.calibration import Calibration
from controller.model.messages import Delivery, JournalHead, Refusal
from controller.model.states import OperationKind, Outcome
from controller.model.weighing import WeighedServing

__all__ = ["REFUSED", "Container", "Entry", "Intent", "JogAnswer", "Ledger", "Spread", "Weighing"]


class Ledger(Database):
    """The file `path` (":memory:" for none). Every method raises RecordError when the file cannot be used."""

    def __init__(self, path: Path | str) -> None:
        super().__init__(path)
        self.stock = StockRecords(self)
        self.past = Past(self)
        self.notes = LineNotes(self)
        self.sequences = SequenceRecords(self)
        self.orders = OrderBook(self)
        self.learned = Learned(self)
        self.doubts: tuple[str, ...] = ()  # why stock and history are not certain, since it was opened

    def doubt_damage(self, *, wall_s: float) -> None:
        """Put on record what follows from the damage; until then every start finds it again."""
        for text in self.damage:
            self.doubt(text, wall_s=wall_s)
        self.settle_damage()

    def doubt(self, why: str, *, wall_s: float) -> None:
        """Part of the past is lost: nothing is sure of what is left in a container until somebody has looked."""
        self.doubts = (*self.doubts, why)
        with self.transaction() as db:
            doubt(db, LineNote(wall_s=wall_s, line=0, event="stock", text=f"weigh or measure what is left: {why}"))

    # --- the guard's journal

    def note_guard_head(self, head: JournalHead) -> None:
        """The engine has heard of this entry. It goes on disk with whatever is recorded next.

        At once when the guard's journal has begun anew.
        """
        has_begun_anew = self.guard_head is not None and head.number < self.guard_head.number
        self.guard_head = head
        if has_begun_anew:
            with self.transaction():
                pass

    # --- operations

    def begin(self, intent: Intent) -> None:
        """Record the intent; on disk when this returns."""
        with self.transaction() as db:
            self._insert(db, intent)

    def refused(self, intent: Intent, refusal: Refusal) -> None:
        """Record what was asked for and refused before the guard was asked."""
        with self.transaction() as db:
            self._insert(db, intent)
            self._refuse(db, intent.operation, (refusal,), intent.asked_wall_s)

    def _insert(self, db: sqlite3.Connection, intent: Intent) -> None:
        insert(db, "operation", intent, evening=evening_of(intent.asked_wall_s), changes="\n".join(intent.changes))

    def refuse(self, operation: str, refusals: Sequence[Refusal], *, wall_s: float) -> None:
        """Record that an operation never began, and why."""
        with self.transaction() as db:
            self._refuse(db, operation, refusals, wall_s)

    def _refuse(self, db: sqlite3.Connection, operation: str, refusals: Sequence[Refusal], wall_s: float) -> None:
        row = db.execute("SELECT seq, evening FROM operation WHERE operation = ?", (operation,)).fetchone()
        if row is None:
            return
        seq, evening = row
        db.execute(
            "UPDATE operation SET outcome = ?, ended_wall_s = ?, reason = ? WHERE seq = ?",
            (REFUSED, wall_s, refusals[0].reason if refusals else "", seq),
        )
        db.execute("DELETE FROM refusal WHERE seq = ?", (seq,))
        db.executemany(
            "INSERT INTO refusal VALUES (?, ?, ?, ?, ?, ?, ?)",
            [(seq, one.rule, one.reason, one.asked, one.allowed, one.remedy, evening) for one in refusals],
        )

    def end(
        self,
        operation: str,
        outcome: Outcome,
        reason: str,
        deliveries: Sequence[Delivery],
        *,
        wall_s: float,
        spreads: Mapping[int, Spread] | None = None,
        lazily: bool = False,
    ) -> bool:
        """Record the end and take the deliveries from their containers; False when it had ended before.

        spreads: line -> how far off its delivery may be. lazily: what the scale says of it follows, and takes it to
        disk; should that fail, the guard tells of the end again.
        """
        with self.transaction(lazily=lazily) as db:
            row = db.execute(
                "SELECT seq, kind, recipe, asked_wall_s, evening FROM operation"
                " WHERE operation = ? AND outcome IS NULL",
                (operation,),
            ).fetchone()
            if row is None:
                return False
            seq, kind, recipe, asked_wall_s, evening = row
            is_served = kind == OperationKind.SERVE and outcome is Outcome.DONE
            db.execute(
                "UPDATE operation SET outcome = ?, ended_wall_s = ?, reason = ? WHERE seq = ?",
                (outcome, wall_s, reason, seq),
            )
            for one in deliveries:
                insert(db, "delivery", one, asked_wall_s=asked_wall_s, seq=seq)
                _add_up(db, one, asked_wall_s, (evening, is_served, recipe or ""))
            draw(db, deliveries, outcome, spreads or {})
        return True

    def weigh_serving(self, operation: str, weighed: WeighedServing, redrawn: Mapping[int, Redrawn]) -> None:
        """Record what a serving weighed, and what it drew by that from the containers on these lines."""
        with self.transaction() as db:
            row = db.execute("SELECT seq, asked_wall_s FROM operation WHERE operation = ?", (operation,)).fetchone()
            if row is None:
                return
            insert(db, "weighed_serving", weighed, or_replace=True, seq=row[0])
            redraw(db, row[1], redrawn)

    def leave_unweighed(self, operation: str, why: str) -> None:
        """Record why a serving was not weighed though there was a scale."""
        self.change("UPDATE operation SET unweighed = ? WHERE operation = ?", why, operation)

    def entry(self, operation: str) -> Entry | None:
        """One operation with its deliveries and refusals, or None."""
        return self.past.entry(operation)

    def operation_of_key(self, key: str) -> str | None:
        """The operation that was asked for with this key, or None."""
        row = self.one("SELECT operation FROM operation WHERE key = ?", (key,))
        return None if row is None else str(row[0])

    def open_operations(self) -> tuple[str, ...]:
        """Operations on record without an end, oldest first. Looks at every one: for checks, not for the evening."""
        rows = self.all("SELECT operation FROM operation WHERE outcome IS NULL ORDER BY seq")
        return tuple(str(row[0]) for row in rows)

    def containers(self) -> dict[int, Container]:
        """Line -> the container that hangs there."""
        return self.stock.hanging()

    # --- calibrations

    def add_calibration(self, calibration: Calibration) -> None:
        """Append a calibration; those before it stay on record."""
        append = "INSERT INTO calibration (line, taken_wall_s, body) VALUES (?, ?, ?)"
        body = msgspec.json.encode(calibration).decode()
        self.change(append, calibration.line, calibration.taken_wall_s, body)

    def calibrations(self, line: int) -> tuple[Calibration, ...]:
        """All calibrations of a line, oldest first."""
        rows = self.all("SELECT body FROM calibration WHERE line = ? ORDER BY seq", (line,))
        return tuple(msgspec.json.decode(row[0], type=Calibration) for row in rows)

    def weigh(self, weighings: Sequence[Weighing], *, corrections: Sequence[Correction] = ()) -> None:
        """Record weighings with what they correct, all or none; a second one of an operation replaces the first."""
        with self.transaction() as db:
            rebook(db, corrections)
            for one in weighings:
                insert(db, "weighing", one, or_replace=True, seq=None)

    def strike(self, seqs: Sequence[int], *, struck: bool, corrections: Sequence[Correction] = ()) -> None:
        """Strike or restore the weighings of these numbers; they stay on record either way."""
        with self.transaction() as db:
            rebook(db, corrections)
            db.executemany("UPDATE weighing SET struck = ? WHERE seq = ?", [(struck, seq) for seq in seqs])

    def settle_weighings(
        self, line: int, liquid: str, *, accepted: bool, corrections: Sequence[Correction] = ()
    ) -> None:
        """The line's open trials are thrown away, or stand behind its calibration from now on; all stay on record.

        Accepted: those of this liquid that are not struck take the place of the ones behind its last calibration, and
        the line's spot checks are history.
        """
        with self.transaction() as db:
            rebook(db, corrections)
            if accepted:
                db.execute("UPDATE weighing SET settled = 1 WHERE line = ? AND purpose = 'spot check'", (line,))
                db.execute(
                    "UPDATE weighing SET settled = 1 WHERE line = ? AND settled = 2 AND liquid = ?", (line, liquid)
                )
                db.execute(
                    "UPDATE weighing SET settled = 2 WHERE line = ? AND purpose = 'calibration' AND settled = 0"
                    " AND struck = 0 AND liquid = ?",
                    (line, liquid),
                )
            db.execute(
                "UPDATE weighing SET settled = 1 WHERE line = ? AND purpose = 'calibration' AND settled = 0", (line,)
            )

    def open_weighings(self, line: int, purpose: str = "calibration", *, liquid: str) -> tuple[Weighing, ...]:
        """Weighings of a line with this liquid that no later calibration has settled, oldest first, struck ones too."""
        return self._weighings("line = ? AND purpose = ? AND liquid = ? AND settled = 0", line, purpose, liquid)

    def weighings_behind(self, line: int, liquid: str) -> tuple[Weighing, ...]:
        """The weighings that this line's calibration for this liquid was accepted from, oldest first."""
        return self._weighings("line = ? AND liquid = ? AND purpose = 'calibration' AND settled = 2", line, liquid)

    def _weighings(self, where: str, *values: object) -> tuple[Weighing, ...]:
        return self.values(Weighing, f"FROM weighing WHERE {where} ORDER BY seq", *values)

    # --- jogs

    def answer_jog(self, answer: JogAnswer) -> None:
        """Record what a person saw."""
        with self.transaction() as db:
            insert(db, "jog_answer", answer)

    def jog_answers(self) -> tuple[JogAnswer, ...]:
        """The latest answer of every line, by line."""
        latest = "FROM jog_answer WHERE seq IN (SELECT max(seq) FROM jog_answer GROUP BY line) ORDER BY line"
        return self.values(JogAnswer, latest)


def _add_up(db: sqlite3.Connection, one: Delivery, asked_wall_s: float, use: tuple[str, bool, str]) -> None:
    """Add a delivery to the sums of its use (evening, whether served, recipe) and of its line."""
    db.execute(
        "INSERT INTO usage VALUES (?, ?, ?, ?, ?, 1, ?, ?) ON CONFLICT DO UPDATE SET"
        " operations = operations + 1, asked_ml = asked_ml + excluded.asked_ml,"
        " delivered_ml = delivered_ml + excluded.delivered_ml",
        (*use, one.liquid, one.line, one.asked_ml, one.delivered_ml),
    )
    db.execute(
        "INSERT INTO throughput VALUES (?, ?, ?, ?) ON CONFLICT DO UPDATE SET"
        " delivered_ml = delivered_ml + excluded.delivered_ml, on_s = on_s + excluded.on_s",
        (one.line, span_of(asked_wall_s), one.delivered_ml, one.on_s),
    )
