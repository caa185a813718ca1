BEGIN TRANSACTION;
CREATE TABLE calibration (
    seq INTEGER PRIMARY KEY, line INTEGER NOT NULL, taken_wall_s REAL NOT NULL, body TEXT NOT NULL
) STRICT;
INSERT INTO "calibration" VALUES(1,1,1789000090.0,'{"line":1,"liquid":"apple juice","flow_ml_s":4.91,"lag_s":0.06,"u_flow_ml_s":0.012,"u_lag_s":0.01,"cov_flow_lag":0.0,"sag_per_a":0.0,"u_sag_per_a":0.0,"scatter_ml":0.0,"scatter_fraction":0.0,"scatter_dof":0.0,"taken_wall_s":1789000090.0,"taken_by":"a maker","temperature_c":null,"note":"8 trials"}');
CREATE TABLE container (
    line INTEGER PRIMARY KEY, liquid TEXT NOT NULL, container_ml REAL NOT NULL, remaining_ml REAL NOT NULL,
    hung_wall_s REAL NOT NULL
) STRICT;
INSERT INTO "container" VALUES(1,'apple juice',3000.0,2810.4,1788996400.0);
INSERT INTO "container" VALUES(2,'blackcurrant cordial',700.0,672.7,1788996400.0);
CREATE TABLE delivery (
    operation TEXT NOT NULL REFERENCES operation, line INTEGER NOT NULL, liquid TEXT NOT NULL,
    asked_ml REAL NOT NULL, delivered_ml REAL NOT NULL, worst_ml REAL NOT NULL, on_s REAL NOT NULL,
    PRIMARY KEY (operation, line)
) STRICT, WITHOUT ROWID;
INSERT INTO "delivery" VALUES('a1b2c3000001',1,'apple juice',15.0,15.0,17.0,3.1);
INSERT INTO "delivery" VALUES('a1b2c3000002',1,'apple juice',39.0,39.2,42.0,8.0);
INSERT INTO "delivery" VALUES('a1b2c3000003',2,'blackcurrant cordial',2.4,2.4,3.0,0.5);
INSERT INTO "delivery" VALUES('a1b2c3000004',1,'apple juice',90.0,90.4,95.0,18.6);
INSERT INTO "delivery" VALUES('a1b2c3000004',2,'blackcurrant cordial',25.0,24.9,27.0,4.9);
INSERT INTO "delivery" VALUES('a1b2c3000006',1,'apple juice',90.0,40.4,45.0,8.3);
CREATE TABLE jog_answer (
    seq INTEGER PRIMARY KEY, operation TEXT NOT NULL REFERENCES operation, line INTEGER NOT NULL,
    is_right INTEGER NOT NULL, remark TEXT NOT NULL, wall_s REAL NOT NULL
) STRICT;
INSERT INTO "jog_answer" VALUES(1,'a1b2c3000003',2,1,'turns the right way',1789000110.0);
CREATE TABLE operation (
    operation TEXT PRIMARY KEY, key TEXT UNIQUE, kind TEXT NOT NULL, recipe TEXT, times REAL NOT NULL,
    asked_wall_s REAL NOT NULL, ended_wall_s REAL, outcome TEXT, reason TEXT NOT NULL DEFAULT ''
) STRICT;
INSERT INTO "operation" VALUES('a1b2c3000001',NULL,'prime',NULL,1.0,1789000000.0,1789000004.0,'done','');
INSERT INTO "operation" VALUES('a1b2c3000002',NULL,'trial',NULL,1.0,1789000060.0,1789000069.0,'done','');
INSERT INTO "operation" VALUES('a1b2c3000003',NULL,'jog',NULL,1.0,1789000100.0,1789000101.0,'done','');
INSERT INTO "operation" VALUES('a1b2c3000004','table 4','serve','Blackcurrant Spritz',1.0,1789000200.0,1789000220.0,'done','');
INSERT INTO "operation" VALUES('a1b2c3000005',NULL,'serve','Blackcurrant Spritz',2.0,1789000300.0,1789000301.0,'refused','line 1 would run for 46.1 s at a stretch, the cap is 45.0 s.');
INSERT INTO "operation" VALUES('a1b2c3000006',NULL,'serve','Blackcurrant Spritz',1.0,1789000400.0,1789000410.0,'stopped','stopped by a person');
INSERT INTO "operation" VALUES('a1b2c3000007','table 5','serve','Blackcurrant Spritz',1.0,1789000500.0,NULL,NULL,'');
CREATE TABLE refusal (
    operation TEXT NOT NULL REFERENCES operation, rule TEXT NOT NULL, reason TEXT NOT NULL, asked TEXT NOT NULL,
    allowed TEXT NOT NULL, way_out TEXT NOT NULL
) STRICT;
INSERT INTO "refusal" VALUES('a1b2c3000005','run_on','line 1 would run for 46.1 s at a stretch, the cap is 45.0 s.','46.1 s','45.0 s','Split the run or pour less.');
CREATE TABLE weighing (
    seq INTEGER PRIMARY KEY, operation TEXT UNIQUE REFERENCES operation, line INTEGER NOT NULL, on_s REAL NOT NULL,
    grams REAL NOT NULL, u_grams REAL NOT NULL, wall_s REAL NOT NULL,
    purpose TEXT NOT NULL, liquid TEXT NOT NULL, settled INTEGER NOT NULL DEFAULT 0
) STRICT;
INSERT INTO "weighing" VALUES(1,'a1b2c3000002',1,8.0,40.87,0.05,1789000080.0,'calibration','apple juice',0);
INSERT INTO "weighing" VALUES(2,NULL,2,4.0,22.3,0.05,1789000081.0,'spot check','blackcurrant cordial',0);
CREATE INDEX operation_by_time ON operation (asked_wall_s);
CREATE INDEX operation_open ON operation (operation) WHERE outcome IS NULL;
PRAGMA user_version = 1;
COMMIT;
