"""Containers on lines: one hangs on each, those before it stay on record; what is drawn, and what people correct."""

import sqlite3
from collections.abc import Mapping, Sequence

from controller.ledger.database import Tables, insert
from controller.ledger.records import Container, Correction, LineNote, Redrawn, Spread
from controller.model.messages import Delivery
from controller.model.states import Outcome


class StockRecords(Tables):
    """The containers in a ledger's database."""

    def hanging(self) -> dict[int, Container]:
        """Line -> the container that hangs there."""
        found = self._database.values(Container, "FROM container WHERE taken_wall_s IS NULL ORDER BY line")
        return {one.line: one for one in found}

    def hang(self, container: Container, note: LineNote) -> None:
        """A container now hangs on its line, in place of the one before."""
        with self._database.transaction() as db:
            db.execute(
                "UPDATE container SET taken_wall_s = ? WHERE line = ? AND taken_wall_s IS NULL",
                (container.hung_wall_s, container.line),
            )
            insert(db, "container", container)
            insert(db, "line_note", note)

    def correct(self, line: int, remaining_ml: float, u_ml: float, tare_g: float | None, note: LineNote) -> None:
        """Somebody has looked: what is left in the hanging container, however it was booked."""
        with self._database.transaction() as db:
            db.execute(
                "UPDATE container SET remaining_ml = ?, u_fill_ml = ?, u_shared_ml = 0, random_ml2 = 0,"
                " perhaps_more_ml = 0, tare_g = coalesce(?, tare_g) WHERE line = ? AND taken_wall_s IS NULL",
                (remaining_ml, u_ml, tare_g, line),
            )
            insert(db, "line_note", note)

    def mark_known(self, line: int, *, is_known: bool = True) -> None:
        """The guard knows of the container on this line, or is to hear of it again."""
        self._database.change("UPDATE container SET told = ? WHERE line = ? AND taken_wall_s IS NULL", is_known, line)


def doubt(db: sqlite3.Connection, note: LineNote) -> None:
    """Nothing is sure of what is left in any container; the note says why, once for each."""
    for (line,) in db.execute("SELECT line FROM container WHERE taken_wall_s IS NULL ORDER BY line").fetchall():
        db.execute("UPDATE container SET u_fill_ml = container_ml WHERE line = ? AND taken_wall_s IS NULL", (line,))
        insert(db, "line_note", note, line=line)


def draw(
    db: sqlite3.Connection, deliveries: Sequence[Delivery], outcome: Outcome, spreads: Mapping[int, Spread]
) -> None:
    """Take deliveries from the containers that they came from; air, cleaner and rinse water come from none.

    What did not end as done is booked at worst.
    """
    for one in deliveries:
        is_done = outcome is Outcome.DONE
        booked_ml = one.delivered_ml if is_done else one.worst_ml
        # After a crash nothing is known but the worst case: all of it may still be in the container.
        least_ml = one.delivered_ml if one.delivered_ml < one.worst_ml else 0.0
        spread = spreads.get(one.line, Spread(shared_ml=0.0, random_ml=0.0))
        db.execute(
            "UPDATE container SET remaining_ml = max(0, remaining_ml - ?), u_shared_ml = u_shared_ml + ?,"
            " random_ml2 = random_ml2 + ?, perhaps_more_ml = perhaps_more_ml + ?"
            " WHERE line = ? AND liquid = ? AND taken_wall_s IS NULL",
            (
                booked_ml,
                spread.shared_ml,
                spread.random_ml**2,
                0.0 if is_done else booked_ml - least_ml,
                one.line,
                one.liquid,
            ),
        )


def rebook(db: sqlite3.Connection, corrections: Sequence[Correction]) -> None:
    """Correct what was drawn from containers, where they hung then."""
    db.executemany(
        "UPDATE container SET remaining_ml = min(container_ml, max(0, remaining_ml - ?)),"
        " u_shared_ml = max(0, u_shared_ml - ?), random_ml2 = max(0, random_ml2 + ?)"
        " WHERE line = ? AND liquid = ? AND taken_wall_s IS NULL AND hung_wall_s <= ?",
        [(one.more_ml, one.surer_ml, one.random_ml2, one.line, one.liquid, one.asked_wall_s) for one in corrections],
    )


def redraw(db: sqlite3.Connection, asked_wall_s: float, redrawn: Mapping[int, Redrawn]) -> None:
    """Correct what a serving drew from the containers, by line, now that it was weighed."""
    for line, one in redrawn.items():
        db.execute(
            "UPDATE container SET remaining_ml = min(container_ml, max(0, remaining_ml - ?)),"
            " u_shared_ml = max(0, u_shared_ml - ?) + ?, random_ml2 = max(0, random_ml2 - ?) + ?"
            " WHERE line = ? AND liquid = ? AND taken_wall_s IS NULL AND hung_wall_s <= ?",
            (
                one.more_ml,
                one.before.shared_ml,
                one.now.shared_ml,
                one.before.random_ml**2,
                one.now.random_ml**2,
                line,
                one.liquid,
                asked_wall_s,
            ),
        )
