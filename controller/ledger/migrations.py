"""Ledgers of earlier versions brought to the present schema, one version after the other, in one transaction."""

import sqlite3

from controller.ledger.records import evening_of
from controller.ledger.schema import SCHEMA_VERSION, STEPS, VERSION_2

# Version 1 had no stock beyond what was left, no evenings, and named operations by their ids throughout.
_TABLES_OF_1 = ("operation", "delivery", "refusal", "container", "calibration", "jog_answer", "weighing")
_FROM_1 = """
INSERT INTO operation (operation, key, kind, recipe, times, asked_wall_s, ended_wall_s, outcome, reason, evening,
    request)
    SELECT operation, key, kind, recipe, times, asked_wall_s, ended_wall_s, outcome, reason, evening_of(asked_wall_s),
    CASE kind WHEN 'serve' THEN json_object('recipe', recipe, 'times', times) ELSE '' END
    FROM old_operation ORDER BY asked_wall_s, rowid;
INSERT INTO delivery SELECT asked_wall_s, seq, line, liquid, asked_ml, delivered_ml, worst_ml, on_s
    FROM old_delivery JOIN operation USING (operation);
INSERT INTO refusal SELECT seq, rule, old_refusal.reason, asked, allowed, way_out, evening
    FROM old_refusal JOIN operation USING (operation) ORDER BY old_refusal.rowid;
INSERT INTO usage SELECT evening, kind = 'serve' AND outcome = 'done', coalesce(recipe, ''), liquid, line, count(*),
    sum(asked_ml), sum(delivered_ml) FROM delivery JOIN operation USING (seq) GROUP BY 1, 2, 3, 4, 5;
INSERT INTO container (line, liquid, container_ml, opened_wall_s, hung_wall_s, told, remaining_ml, u_fill_ml,
    u_shared_ml, random_ml2, perhaps_more_ml)
    SELECT line, liquid, container_ml, hung_wall_s, hung_wall_s, 1, remaining_ml, 0, 0, 0, 0 FROM old_container;
INSERT INTO calibration SELECT * FROM old_calibration;
INSERT INTO jog_answer SELECT * FROM old_jog_answer;
INSERT INTO weighing SELECT * FROM old_weighing;
"""


def _from_1(db: sqlite3.Connection) -> None:
    db.create_function("evening_of", 1, evening_of)
    for index in ("operation_by_time", "operation_open"):
        db.execute(f"DROP INDEX {index}")
    for table in _TABLES_OF_1:
        db.execute(f"ALTER TABLE {table} RENAME TO old_{table}")
    _run(db, VERSION_2)
    _run(db, _FROM_1)
    for table in reversed(_TABLES_OF_1):
        db.execute(f"DROP TABLE old_{table}")


def bring_up(db: sqlite3.Connection, version: int) -> None:
    """Bring the tables from this version (0: none yet) to the present one, within the caller's transaction.

    Foreign keys are off meanwhile.
    """
    if version == 0:
        _run(db, VERSION_2)
    elif version == 1:
        _from_1(db)
    for step in STEPS[max(version - 2, 0) :]:
        _run(db, step)
    db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def _run(db: sqlite3.Connection, script: str) -> None:
    """Statement by statement: executescript would end the transaction."""
    for statement in script.split(";\n"):
        db.execute(statement)
