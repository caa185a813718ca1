BEGIN TRANSACTION;
CREATE TABLE calibration (
    seq INTEGER PRIMARY KEY, line INTEGER NOT NULL, taken_wall_s REAL NOT NULL, body TEXT NOT NULL
) STRICT;
INSERT INTO "calibration" VALUES(1,1,1789000090.0,'{"line":1,"liquid":"apple juice","flow_ml_s":4.91,"lag_s":0.06,"u_flow_ml_s":0.012,"u_lag_s":0.01,"cov_flow_lag":0.0,"sag_per_a":0.0,"u_sag_per_a":0.0,"scatter_ml":0.0,"scatter_fraction":0.0,"scatter_dof":0.0,"taken_wall_s":1789000090.0,"taken_by":"a maker","temperature_c":null,"note":"8 trials"}');
CREATE TABLE container (
    seq INTEGER PRIMARY KEY, line INTEGER NOT NULL, liquid TEXT NOT NULL, container_ml REAL NOT NULL,
    opened_wall_s REAL NOT NULL, hung_wall_s REAL NOT NULL, taken_wall_s REAL, told INTEGER NOT NULL,
    remaining_ml REAL NOT NULL, u_fill_ml REAL NOT NULL, u_shared_ml REAL NOT NULL, random_ml2 REAL NOT NULL,
    perhaps_more_ml REAL NOT NULL, tare_g REAL
) STRICT;
INSERT INTO "container" VALUES(1,1,'apple juice',3000.0,1788992800.0,1788996400.0,NULL,1,2810.4,0.0,0.4,0.09,4.60000000000000142108e+00,NULL);
INSERT INTO "container" VALUES(2,2,'blackcurrant cordial',700.0,1788992800.0,1788996400.0,NULL,1,672.7,0.0,0.0,0.0,0.0,NULL);
CREATE TABLE delivery (
    asked_wall_s REAL NOT NULL, seq INTEGER NOT NULL REFERENCES operation, line INTEGER NOT NULL, liquid TEXT NOT NULL,
    asked_ml REAL NOT NULL, delivered_ml REAL NOT NULL, worst_ml REAL NOT NULL, on_s REAL NOT NULL, weighed_ml REAL, u_weighed_ml REAL,
    PRIMARY KEY (asked_wall_s, seq, line)
) STRICT, WITHOUT ROWID;
INSERT INTO "delivery" VALUES(1789000000.0,1,1,'apple juice',15.0,15.0,17.0,3.1,NULL,NULL);
INSERT INTO "delivery" VALUES(1789000060.0,2,1,'apple juice',39.0,39.2,42.0,8.0,NULL,NULL);
INSERT INTO "delivery" VALUES(1789000100.0,3,2,'blackcurrant cordial',2.4,2.4,3.0,0.5,NULL,NULL);
INSERT INTO "delivery" VALUES(1789000200.0,4,1,'apple juice',90.0,90.4,95.0,18.6,NULL,NULL);
INSERT INTO "delivery" VALUES(1789000200.0,4,2,'blackcurrant cordial',25.0,24.9,27.0,4.9,25.1,0.15);
INSERT INTO "delivery" VALUES(1789000400.0,6,1,'apple juice',90.0,40.4,45.0,8.3,NULL,NULL);
CREATE TABLE drink_order (
    seq INTEGER PRIMARY KEY, number INTEGER NOT NULL, rank REAL NOT NULL, state TEXT NOT NULL, request TEXT NOT NULL,
    drink TEXT NOT NULL, needs_nod INTEGER NOT NULL, placed_wall_s REAL NOT NULL, called_wall_s REAL,
    began_wall_s REAL, ended_wall_s REAL, attempt INTEGER NOT NULL, operation TEXT, rule TEXT NOT NULL,
    reason TEXT NOT NULL
) STRICT;
INSERT INTO "drink_order" VALUES(1,1,1.0,'failed','{"recipe":"Blackcurrant Spritz","times":null,"key":null,"glass":null,"volume_ml":null,"abv_percent":null,"without":[],"instead":[],"rest_of":null,"empty_glass":false,"doses":[]}','{"glass":"tumbler","volume_ml":115.0,"ethanol_g":0.0,"seconds":21.3,"doses_ml":{"apple juice":90.0,"blackcurrant cordial":25.0},"changes":[],"ahead":[]}',0,1789000390.0,1789000392.0,1789000400.0,1789000410.0,1,'a1b2c3000006','','stopped by a person');
INSERT INTO "drink_order" VALUES(2,2,2.0,'placed','{"recipe":"Blackcurrant Spritz","times":null,"key":null,"glass":null,"volume_ml":null,"abv_percent":null,"without":[],"instead":[],"rest_of":null,"empty_glass":false,"doses":[]}','{"glass":"tumbler","volume_ml":115.0,"ethanol_g":0.0,"seconds":21.3,"doses_ml":{"apple juice":90.0,"blackcurrant cordial":25.0},"changes":[],"ahead":[]}',0,1789000420.0,NULL,NULL,NULL,1,NULL,'','');
CREATE TABLE guest (
    owner TEXT NOT NULL, key TEXT NOT NULL, seq INTEGER NOT NULL REFERENCES drink_order, name TEXT NOT NULL,
    secret TEXT NOT NULL, PRIMARY KEY (owner, key)
) STRICT, WITHOUT ROWID;
INSERT INTO "guest" VALUES('','second',2,'','of the operator');
INSERT INTO "guest" VALUES('00aa11bb22cc33dd44ee55ff','first',1,'Robin','only-on-one-phone');
CREATE TABLE house (last_orders INTEGER NOT NULL) STRICT;
INSERT INTO "house" VALUES(0);
CREATE TABLE jog_answer (
    seq INTEGER PRIMARY KEY, operation TEXT NOT NULL REFERENCES operation (operation), line INTEGER NOT NULL,
    is_right INTEGER NOT NULL, remark TEXT NOT NULL, wall_s REAL NOT NULL
) STRICT;
INSERT INTO "jog_answer" VALUES(1,'a1b2c3000003',2,1,'turns the right way',1789000110.0);
CREATE TABLE learned (
    line INTEGER NOT NULL, wall_s REAL NOT NULL, operation TEXT NOT NULL, flow_ml_s REAL NOT NULL,
    u_flow_ml_s REAL NOT NULL, asked_ml REAL NOT NULL, weighed_ml REAL NOT NULL, u_weighed_ml REAL NOT NULL,
    deviations REAL NOT NULL, PRIMARY KEY (line, wall_s)
) STRICT, WITHOUT ROWID;
INSERT INTO "learned" VALUES(1,1789000400.0,'a1b2c3000004',4.81,0.015,90.0,89.6,0.2,-1.4);
INSERT INTO "learned" VALUES(2,1789000400.0,'a1b2c3000004',4.9,0.02,25.0,25.1,0.15,0.6);
CREATE TABLE learned_state (state BLOB NOT NULL) STRICT;
INSERT INTO "learned_state" VALUES(X'84A961745F77616C6C5F73CB41DAA87EB4000000A56C696E65739186A46C696E6501A66C6971756964AB6170706C65206A75696365AC74616B656E5F77616C6C5F73CB41DAA87E66800000A5666972737402A67761726D7468CB3FD0000000000000AA72616E5F77616C6C5F73CB41DAA87EB1800000A46D65616E96CB3FC70A3D70A3D70ACB3FB999999999999ACBBF95810624DD2F1BCB3F70624DD2F1A9FCCB3F847AE147AE147BCB3FC47AE147AE147BAA636F76617269616E6365C45417B7D139000000006F12833A0000000000000000ACC5273700000000000000000000000017B7D1390000000000000000000000000000000017B7D13800000000000000000000000000000000000000006F12833B');
CREATE TABLE line_note (
    seq INTEGER PRIMARY KEY, wall_s REAL NOT NULL, line INTEGER NOT NULL, event TEXT NOT NULL, text TEXT NOT NULL,
    person TEXT NOT NULL
) STRICT;
INSERT INTO "line_note" VALUES(1,1788996400.0,1,'container','apple juice hung','');
INSERT INTO "line_note" VALUES(2,1788996400.0,2,'container','blackcurrant cordial hung','');
CREATE TABLE mark (changes INTEGER NOT NULL, journal_number INTEGER NOT NULL, journal_hash TEXT NOT NULL) STRICT;
INSERT INTO "mark" VALUES(8,41,'0123456789abcdef');
CREATE TABLE operation (
    seq INTEGER PRIMARY KEY, operation TEXT NOT NULL UNIQUE, key TEXT, kind TEXT NOT NULL, recipe TEXT,
    times REAL NOT NULL, asked_wall_s REAL NOT NULL, ended_wall_s REAL, outcome TEXT, reason TEXT NOT NULL DEFAULT '',
    evening TEXT NOT NULL, rest_of TEXT, request TEXT NOT NULL DEFAULT '', changes TEXT NOT NULL DEFAULT ''
, unweighed TEXT NOT NULL DEFAULT '') STRICT;
INSERT INTO "operation" VALUES(1,'a1b2c3000001',NULL,'prime',NULL,1.0,1789000000.0,1789000004.0,'done','','2026-09-09',NULL,'','','');
INSERT INTO "operation" VALUES(2,'a1b2c3000002',NULL,'trial',NULL,1.0,1789000060.0,1789000069.0,'done','','2026-09-09',NULL,'','','');
INSERT INTO "operation" VALUES(3,'a1b2c3000003',NULL,'jog',NULL,1.0,1789000100.0,1789000101.0,'done','','2026-09-09',NULL,'','','');
INSERT INTO "operation" VALUES(4,'a1b2c3000004','table 4','serve','Blackcurrant Spritz',1.0,1789000200.0,1789000220.0,'done','','2026-09-09',NULL,'{"recipe":"Blackcurrant Spritz","times":1.0}','','');
INSERT INTO "operation" VALUES(5,'a1b2c3000005',NULL,'serve','Blackcurrant Spritz',2.0,1789000300.0,1789000301.0,'refused','line 1 would run for 46.1 s at a stretch, the cap is 45.0 s.','2026-09-09',NULL,'{"recipe":"Blackcurrant Spritz","times":2.0}','','');
INSERT INTO "operation" VALUES(6,'a1b2c3000006',NULL,'serve','Blackcurrant Spritz',1.0,1789000400.0,1789000410.0,'stopped','stopped by a person','2026-09-09',NULL,'{"recipe":"Blackcurrant Spritz","times":1.0}','','the glass was taken before its weight had settled');
INSERT INTO "operation" VALUES(7,'a1b2c3000007','table 5','serve','Blackcurrant Spritz',1.0,1789000500.0,NULL,NULL,'','2026-09-09',NULL,'{"recipe":"Blackcurrant Spritz","times":1.0}','','');
CREATE TABLE refusal (
    seq INTEGER NOT NULL REFERENCES operation, rule TEXT NOT NULL, reason TEXT NOT NULL, asked TEXT NOT NULL,
    allowed TEXT NOT NULL, way_out TEXT NOT NULL, evening TEXT NOT NULL
) STRICT;
INSERT INTO "refusal" VALUES(5,'run_on','line 1 would run for 46.1 s at a stretch, the cap is 45.0 s.','46.1 s','45.0 s','Split the run or pour less.','2026-09-09');
CREATE TABLE sequence (
    seq INTEGER PRIMARY KEY, kind TEXT NOT NULL, line INTEGER NOT NULL, begun_wall_s REAL NOT NULL, ended_wall_s REAL,
    outcome TEXT, body TEXT NOT NULL
) STRICT;
CREATE TABLE throughput (
    line INTEGER NOT NULL, span INTEGER NOT NULL, delivered_ml REAL NOT NULL, on_s REAL NOT NULL,
    PRIMARY KEY (line, span)
) STRICT, WITHOUT ROWID;
INSERT INTO "throughput" VALUES(1,82824,1.85000000000000028414e+02,38.0);
INSERT INTO "throughput" VALUES(2,82824,2.72999999999999971573e+01,5.4);
CREATE TABLE usage (
    evening TEXT NOT NULL, served INTEGER NOT NULL, recipe TEXT NOT NULL, liquid TEXT NOT NULL, line INTEGER NOT NULL,
    operations INTEGER NOT NULL, asked_ml REAL NOT NULL, delivered_ml REAL NOT NULL,
    PRIMARY KEY (evening, served, recipe, liquid, line)
) STRICT, WITHOUT ROWID;
INSERT INTO "usage" VALUES('2026-09-09',0,'','apple juice',1,2,54.0,54.2);
INSERT INTO "usage" VALUES('2026-09-09',0,'','blackcurrant cordial',2,1,2.4,2.4);
INSERT INTO "usage" VALUES('2026-09-09',0,'Blackcurrant Spritz','apple juice',1,1,90.0,40.4);
INSERT INTO "usage" VALUES('2026-09-09',1,'Blackcurrant Spritz','apple juice',1,1,90.0,90.4);
INSERT INTO "usage" VALUES('2026-09-09',1,'Blackcurrant Spritz','blackcurrant cordial',2,1,25.0,24.9);
CREATE TABLE weighed_serving (
    seq INTEGER PRIMARY KEY REFERENCES operation, grams REAL NOT NULL, volume_ml REAL NOT NULL, asked_ml REAL NOT NULL,
    u_ml REAL NOT NULL
) STRICT;
INSERT INTO "weighed_serving" VALUES(4,120.6,115.1,115.0,0.2);
CREATE TABLE weighing (
    seq INTEGER PRIMARY KEY, operation TEXT UNIQUE REFERENCES operation (operation), line INTEGER NOT NULL,
    on_s REAL NOT NULL, grams REAL NOT NULL, u_grams REAL NOT NULL, wall_s REAL NOT NULL,
    purpose TEXT NOT NULL, liquid TEXT NOT NULL, settled INTEGER NOT NULL DEFAULT 0
, step_g REAL NOT NULL DEFAULT 0, factor REAL NOT NULL DEFAULT 1, u_factor REAL NOT NULL DEFAULT 0, struck INTEGER NOT NULL DEFAULT 0) STRICT;
INSERT INTO "weighing" VALUES(1,'a1b2c3000002',1,8.0,40.87,0.05,1789000080.0,'calibration','apple juice',0,0.0,1.0,0.0,0);
INSERT INTO "weighing" VALUES(2,NULL,2,4.0,22.3,0.05,1789000081.0,'spot check','blackcurrant cordial',0,0.0,1.0,0.0,0);
INSERT INTO "weighing" VALUES(3,NULL,1,8.0,0.0,0.38,1789000090.0,'calibration','apple juice',0,1.0,1.0,0.0058,1);
CREATE UNIQUE INDEX operation_by_key ON operation (key) WHERE key IS NOT NULL;
CREATE INDEX operation_by_time ON operation (asked_wall_s);
CREATE INDEX operation_by_recipe ON operation (recipe, asked_wall_s) WHERE recipe IS NOT NULL;
CREATE INDEX operation_by_kind ON operation (kind, asked_wall_s) WHERE kind <> 'serve';
CREATE INDEX operation_by_outcome ON operation (outcome, asked_wall_s) WHERE outcome <> 'done';
CREATE INDEX operation_by_rest ON operation (rest_of) WHERE rest_of IS NOT NULL;
CREATE INDEX refusal_by_operation ON refusal (seq);
CREATE INDEX refusal_by_evening ON refusal (evening, rule);
CREATE UNIQUE INDEX container_hanging ON container (line) WHERE taken_wall_s IS NULL;
CREATE INDEX line_note_by_time ON line_note (wall_s);
CREATE INDEX line_note_by_line ON line_note (line, event, wall_s);
CREATE UNIQUE INDEX sequence_open ON sequence (kind, line) WHERE ended_wall_s IS NULL;
CREATE INDEX calibration_by_line ON calibration (line);
CREATE INDEX weighing_open ON weighing (line, purpose) WHERE settled = 0;
CREATE INDEX drink_order_open ON drink_order (state) WHERE state IN ('placed', 'called', 'pouring', 'ready');
PRAGMA user_version = 9;
COMMIT;
