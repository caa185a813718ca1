"""What weighed servings have taught, on record: each line's path, and the state of the estimator."""

from collections.abc import Sequence

import msgspec

from controller.ledger.database import Tables, insert
from controller.model.learning import LearnedPoint, LearnedState

MOST_POINTS = 2000  # of one line that are ever asked for


class Learned(Tables):
    """The tables `learned` and `learned_state`."""

    def add(self, points: Sequence[LearnedPoint], state: LearnedState, *, lazily: bool = False) -> None:
        """What one serving has taught and brought of each line, and all that is known now.

        lazily: another record of this serving follows, and takes it to disk.
        """
        dose = (
            "UPDATE delivery SET weighed_ml = ?, u_weighed_ml = ? WHERE line = ? AND (asked_wall_s, seq) ="
            " (SELECT asked_wall_s, seq FROM operation WHERE operation = ?)"
        )
        with self._database.transaction(lazily=lazily) as db:
            for one in points:
                insert(db, "learned", one, or_replace=True)
                db.execute(dose, (one.weighed_ml, one.u_weighed_ml, one.line, one.operation))
            body = (msgspec.msgpack.encode(state),)
            if db.execute("UPDATE learned_state SET state = ?", body).rowcount == 0:
                db.execute("INSERT INTO learned_state VALUES (?)", body)

    def state(self) -> LearnedState | None:
        """The estimator as it was kept last, None before the first weighed serving."""
        row = self._database.one("SELECT state FROM learned_state")
        return None if row is None else msgspec.msgpack.decode(row[0], type=LearnedState)

    def path(self, line: int, since_wall_s: float) -> tuple[LearnedPoint, ...]:
        """What servings since then (Unix s) have said of a line, oldest first; the latest MOST_POINTS."""
        latest = "FROM learned WHERE line = ? AND wall_s >= ? ORDER BY wall_s DESC LIMIT ?"
        return self._database.values(LearnedPoint, latest, line, since_wall_s, MOST_POINTS)[::-1]
