"""The ledger's tables. Indices follow the questions that are asked; each costs a page for every serving it covers.

Servings are by far the most operations, and most of them end as done: the indices by kind and by outcome leave these
out, since going through the latest operations finds enough of them at once.

weighing.settled: 0 while open, 2 behind the calibration that was accepted last for this line and liquid, 1 afterwards
or when thrown away.
"""

SPAN_S = 6 * 3600  # of one running total

VERSION_2 = """
CREATE TABLE operation (
    seq INTEGER PRIMARY KEY, operation TEXT NOT NULL UNIQUE, key TEXT, kind TEXT NOT NULL, recipe TEXT,
    times REAL NOT NULL, asked_wall_s REAL NOT NULL, ended_wall_s REAL, outcome TEXT, reason TEXT NOT NULL DEFAULT '',
    evening TEXT NOT NULL, rest_of TEXT, request TEXT NOT NULL DEFAULT '', changes TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE UNIQUE INDEX operation_by_key ON operation (key) WHERE key IS NOT NULL;
CREATE INDEX operation_by_time ON operation (asked_wall_s);
CREATE INDEX operation_by_recipe ON operation (recipe, asked_wall_s) WHERE recipe IS NOT NULL;
CREATE INDEX operation_by_kind ON operation (kind, asked_wall_s) WHERE kind <> 'serve';
CREATE INDEX operation_by_outcome ON operation (outcome, asked_wall_s) WHERE outcome <> 'done';
CREATE INDEX operation_by_rest ON operation (rest_of) WHERE rest_of IS NOT NULL;
CREATE TABLE delivery (
    asked_wall_s REAL NOT NULL, seq INTEGER NOT NULL REFERENCES operation, line INTEGER NOT NULL, liquid TEXT NOT NULL,
    asked_ml REAL NOT NULL, delivered_ml REAL NOT NULL, worst_ml REAL NOT NULL, on_s REAL NOT NULL,
    PRIMARY KEY (asked_wall_s, seq, line)
) STRICT, WITHOUT ROWID;
CREATE TABLE refusal (
    seq INTEGER NOT NULL REFERENCES operation, rule TEXT NOT NULL, reason TEXT NOT NULL, asked TEXT NOT NULL,
    allowed TEXT NOT NULL, way_out TEXT NOT NULL, evening TEXT NOT NULL
) STRICT;
CREATE INDEX refusal_by_operation ON refusal (seq);
CREATE INDEX refusal_by_evening ON refusal (evening, rule);
CREATE TABLE usage (
    evening TEXT NOT NULL, served INTEGER NOT NULL, recipe TEXT NOT NULL, liquid TEXT NOT NULL, line INTEGER NOT NULL,
    operations INTEGER NOT NULL, asked_ml REAL NOT NULL, delivered_ml REAL NOT NULL,
    PRIMARY KEY (evening, served, recipe, liquid, line)
) STRICT, WITHOUT ROWID;
CREATE TABLE container (
    seq INTEGER PRIMARY KEY, line INTEGER NOT NULL, liquid TEXT NOT NULL, container_ml REAL NOT NULL,
    opened_wall_s REAL NOT NULL, hung_wall_s REAL NOT NULL, taken_wall_s REAL, told INTEGER NOT NULL,
    remaining_ml REAL NOT NULL, u_fill_ml REAL NOT NULL, u_shared_ml REAL NOT NULL, random_ml2 REAL NOT NULL,
    perhaps_more_ml REAL NOT NULL, tare_g REAL
) STRICT;
CREATE UNIQUE INDEX container_hanging ON container (line) WHERE taken_wall_s IS NULL;
CREATE TABLE line_note (
    seq INTEGER PRIMARY KEY, wall_s REAL NOT NULL, line INTEGER NOT NULL, event TEXT NOT NULL, text TEXT NOT NULL,
    person TEXT NOT NULL
) STRICT;
CREATE INDEX line_note_by_time ON line_note (wall_s);
CREATE INDEX line_note_by_line ON line_note (line, event, wall_s);
CREATE TABLE sequence (
    seq INTEGER PRIMARY KEY, kind TEXT NOT NULL, line INTEGER NOT NULL, begun_wall_s REAL NOT NULL, ended_wall_s REAL,
    outcome TEXT, body TEXT NOT NULL
) STRICT;
CREATE UNIQUE INDEX sequence_open ON sequence (kind, line) WHERE ended_wall_s IS NULL;
CREATE TABLE calibration (
    seq INTEGER PRIMARY KEY, line INTEGER NOT NULL, taken_wall_s REAL NOT NULL, body TEXT NOT NULL
) STRICT;
CREATE INDEX calibration_by_line ON calibration (line);
CREATE TABLE jog_answer (
    seq INTEGER PRIMARY KEY, operation TEXT NOT NULL REFERENCES operation (operation), line INTEGER NOT NULL,
    is_right INTEGER NOT NULL, remark TEXT NOT NULL, wall_s REAL NOT NULL
) STRICT;
CREATE TABLE weighing (
    seq INTEGER PRIMARY KEY, operation TEXT UNIQUE REFERENCES operation (operation), line INTEGER NOT NULL,
    on_s REAL NOT NULL, grams REAL NOT NULL, u_grams REAL NOT NULL, wall_s REAL NOT NULL,
    purpose TEXT NOT NULL, liquid TEXT NOT NULL, settled INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX weighing_open ON weighing (line, purpose) WHERE settled = 0;
"""

# One row: how many transactions there have been, and the last entry of the guard's journal known to the engine.
MARK = """
CREATE TABLE mark (changes INTEGER NOT NULL, journal_number INTEGER NOT NULL, journal_hash TEXT NOT NULL) STRICT;
INSERT INTO mark VALUES (0, 0, '');
"""

# The scale as it was when it was read, and whether the weighing was struck since.
SCALES = """
ALTER TABLE weighing ADD COLUMN step_g REAL NOT NULL DEFAULT 0;
ALTER TABLE weighing ADD COLUMN factor REAL NOT NULL DEFAULT 1;
ALTER TABLE weighing ADD COLUMN u_factor REAL NOT NULL DEFAULT 0;
ALTER TABLE weighing ADD COLUMN struck INTEGER NOT NULL DEFAULT 0;
"""

# What each line delivered in operations asked for within [span, span + 1) times SPAN_S (Unix s): to add up a line's
# deliveries since its calibration takes a row for every span, and of the first span the deliveries themselves.
THROUGHPUT = f"""
CREATE TABLE throughput (
    line INTEGER NOT NULL, span INTEGER NOT NULL, delivered_ml REAL NOT NULL, on_s REAL NOT NULL,
    PRIMARY KEY (line, span)
) STRICT, WITHOUT ROWID;
INSERT INTO throughput SELECT line, CAST(asked_wall_s / {SPAN_S} AS INTEGER), sum(delivered_ml), sum(on_s)
    FROM delivery GROUP BY 1, 2;
"""

# Orders stay on record; who placed them stands in `guest` only, which is emptied as a whole after the event: with
# secure_delete SQLite then overwrites every page of it.
ORDERS = """
CREATE TABLE drink_order (
    seq INTEGER PRIMARY KEY, number INTEGER NOT NULL, rank REAL NOT NULL, state TEXT NOT NULL, request TEXT NOT NULL,
    drink TEXT NOT NULL, needs_nod INTEGER NOT NULL, placed_wall_s REAL NOT NULL, called_wall_s REAL,
    began_wall_s REAL, ended_wall_s REAL, attempt INTEGER NOT NULL, operation TEXT, rule TEXT NOT NULL,
    reason TEXT NOT NULL
) STRICT;
CREATE INDEX drink_order_open ON drink_order (state) WHERE state IN ('placed', 'called', 'pouring', 'ready');
CREATE TABLE guest (
    owner TEXT NOT NULL, key TEXT NOT NULL, seq INTEGER NOT NULL REFERENCES drink_order, name TEXT NOT NULL,
    secret TEXT NOT NULL, PRIMARY KEY (owner, key)
) STRICT, WITHOUT ROWID;
CREATE TABLE house (last_orders INTEGER NOT NULL) STRICT;
INSERT INTO house VALUES (0);
"""

# What came into the glass of a serving by the scale under it.
WEIGHED = """
CREATE TABLE weighed_serving (
    seq INTEGER PRIMARY KEY REFERENCES operation, grams REAL NOT NULL, volume_ml REAL NOT NULL, asked_ml REAL NOT NULL,
    u_ml REAL NOT NULL
) STRICT;
"""

# What weighed servings have taught of each line, serving by serving, and all that the estimator knows now (one row).
LEARNED = """
CREATE TABLE learned (
    line INTEGER NOT NULL, wall_s REAL NOT NULL, operation TEXT NOT NULL, flow_ml_s REAL NOT NULL,
    u_flow_ml_s REAL NOT NULL, asked_ml REAL NOT NULL, weighed_ml REAL NOT NULL, u_weighed_ml REAL NOT NULL,
    deviations REAL NOT NULL, PRIMARY KEY (line, wall_s)
) STRICT, WITHOUT ROWID;
CREATE TABLE learned_state (state BLOB NOT NULL) STRICT;
"""

# What each line of a serving brought by weight, and why one was not weighed though there was a scale.
DOSES = """
ALTER TABLE delivery ADD COLUMN weighed_ml REAL;
ALTER TABLE delivery ADD COLUMN u_weighed_ml REAL;
ALTER TABLE operation ADD COLUMN unweighed TEXT NOT NULL DEFAULT '';
"""

# What each version after the second added to it: a new ledger goes through all of them, an older one through the rest.
STEPS = (MARK, SCALES, THROUGHPUT, ORDERS, WEIGHED, LEARNED, DOSES)
SCHEMA_VERSION = 2 + len(STEPS)
