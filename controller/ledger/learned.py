"""What weighed servings have taught, on record: each line's path, and the state of the estimator."""

from collections.abc import Sequence

import msgspec
from msgspec.structs import astuple

from controller.ledger.database import Database, value_of
from controller.model.learning import LearnedPoint, LearnedState

MOST_POINTS = 2000  # of one line that are ever asked for


class Learned:
    """The tables `learned` and `learned_state`."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(self, points: Sequence[LearnedPoint], state: LearnedState) -> None:
        """What one serving has taught and brought of each line, and all that is known now."""
        marks = ", ".join("?" * len(LearnedPoint.__struct_fields__))
        with self._database.transaction() as db:
            db.executemany(f"INSERT OR REPLACE INTO learned VALUES ({marks})", [astuple(one) for one in points])
            db.executemany(
                "UPDATE delivery SET weighed_ml = ?, u_weighed_ml = ? WHERE line = ? AND (asked_wall_s, seq) ="
                " (SELECT asked_wall_s, seq FROM operation WHERE operation = ?)",
                [(one.weighed_ml, one.u_weighed_ml, one.line, one.operation) for one in points],
            )
            body = (msgspec.msgpack.encode(state),)
            if db.execute("UPDATE learned_state SET state = ?", body).rowcount == 0:
                db.execute("INSERT INTO learned_state VALUES (?)", body)

    def state(self) -> LearnedState | None:
        """The estimator as it was kept last, None before the first weighed serving."""
        row = self._database.one("SELECT state FROM learned_state")
        return None if row is None else msgspec.msgpack.decode(row[0], type=LearnedState)

    def path(self, line: int, since_wall_s: float) -> tuple[LearnedPoint, ...]:
        """What servings since then (Unix s) have said of a line, oldest first; the latest MOST_POINTS."""
        rows = self._database.all(
            "SELECT * FROM learned WHERE line = ? AND wall_s >= ? ORDER BY wall_s DESC LIMIT ?",
            (line, since_wall_s, MOST_POINTS),
        )
        return tuple(value_of(LearnedPoint, row) for row in reversed(rows))
