-- A store of version 2, as the program wrote it before jobs were kept.
PRAGMA application_id = 1263420235;
PRAGMA user_version = 2;
CREATE TABLE calibration (
    id INTEGER PRIMARY KEY,
    made_utc TEXT NOT NULL,
    pod_identity TEXT,
    record TEXT NOT NULL
);
INSERT INTO "calibration" VALUES(1,'2026-02-01T09:30:00.000+00:00','00aa11bb22cc33dd','{"format": "knuckle calibration", "version": 2}');
CREATE TABLE car (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    facts TEXT NOT NULL DEFAULT '{}'
);
CREATE TABLE chunk (
    run_id INTEGER NOT NULL,
    sequence INTEGER NOT NULL,
    stream INTEGER NOT NULL,
    arrival_s REAL NOT NULL,
    data BLOB NOT NULL,
    PRIMARY KEY (run_id, sequence),
    FOREIGN KEY (run_id, stream) REFERENCES stream(run_id, stream)
) WITHOUT ROWID;
INSERT INTO "chunk" VALUES(1,0,0,0.5,X'000200');
INSERT INTO "chunk" VALUES(1,1,0,1.5,X'01FF');
CREATE TABLE figure (
    result_id INTEGER NOT NULL REFERENCES result(id),
    quantity TEXT NOT NULL,
    value REAL NOT NULL,
    expanded_uncertainty REAL NOT NULL,
    unit TEXT NOT NULL,
    PRIMARY KEY (result_id, quantity)
) WITHOUT ROWID;
INSERT INTO "figure" VALUES(1,'camber',-1.25,0.42,'deg');
CREATE TABLE job (
    id INTEGER PRIMARY KEY,
    car_id INTEGER REFERENCES car(id),
    begun_utc TEXT NOT NULL,
    facts TEXT NOT NULL DEFAULT '{}'
);
CREATE TABLE mounting (
    id INTEGER PRIMARY KEY,
    made_utc TEXT NOT NULL,
    record TEXT NOT NULL
);
CREATE TABLE note (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run_id INTEGER NOT NULL REFERENCES run(id),
    written_utc TEXT NOT NULL,
    text TEXT NOT NULL
);
INSERT INTO "note" VALUES(1,1,'2026-02-01T09:30:00.000+00:00','on slip plates');
CREATE TABLE outcome (
    result_id INTEGER PRIMARY KEY REFERENCES result(id),
    record TEXT NOT NULL
);
INSERT INTO "outcome" VALUES(1,'{"record": 1, "measure": "camber", "wheel": "LF", "results": [{"quantity": "camber", "value": -1.25, "expanded_uncertainty": 0.42, "coverage_factor": 1.96, "unit": "deg", "budget": [{"term": "mount", "source": "mount", "standard_uncertainty": 0.2, "degrees_of_freedom": null}], "condition": "relative to gravity"}], "rests": [], "warnings": [{"code": "LINEAR_OUTSIDE", "text": "x"}], "refused": null, "details": {"goodness": 1.0}, "touches": []}');
CREATE TABLE result (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run_id INTEGER NOT NULL REFERENCES run(id),
    measured_utc TEXT NOT NULL,
    program_version TEXT NOT NULL,
    method TEXT NOT NULL,
    measure TEXT NOT NULL,
    wheel TEXT NOT NULL,
    refused_code TEXT,
    warning_count INTEGER NOT NULL DEFAULT 0
);
INSERT INTO "result" VALUES(1,1,'2026-02-01T09:30:00.000+00:00','0.3.0','rests, least squares 1','camber','LF',NULL,1);
CREATE TABLE run (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('open', 'finished', 'interrupted', 'refused')),
    started_utc TEXT NOT NULL,
    ended_utc TEXT,
    program_version TEXT NOT NULL,
    facts TEXT NOT NULL DEFAULT '{}',
    job_id INTEGER REFERENCES job(id),
    car_id INTEGER REFERENCES car(id)
);
INSERT INTO "run" VALUES(1,'camber','finished','2026-02-01T09:00:00.000+00:00','2026-02-01T09:30:00.000+00:00','0.3.0','{"seed":3,"driver":"out","complete":true}',NULL,NULL);
CREATE TABLE stream (
    run_id INTEGER NOT NULL REFERENCES run(id),
    stream INTEGER NOT NULL,
    wheel TEXT,
    address TEXT,
    identity TEXT,
    hello TEXT,
    chunk_count INTEGER NOT NULL DEFAULT 0,
    byte_count INTEGER NOT NULL DEFAULT 0,
    first_arrival_s REAL,
    last_arrival_s REAL,
    mounting_id INTEGER REFERENCES mounting(id),
    calibration_id INTEGER REFERENCES calibration(id),
    PRIMARY KEY (run_id, stream)
) WITHOUT ROWID;
INSERT INTO "stream" VALUES(1,0,'LF','sim:garage?seed=3',NULL,NULL,2,5,0.5,1.5,NULL,NULL);
CREATE INDEX result_of_run ON result (run_id, wheel, id);
CREATE INDEX run_left_open ON run (id) WHERE state = 'open';
CREATE INDEX note_of_run ON note (run_id, id);
CREATE TRIGGER chunk_is_not_changed BEFORE UPDATE ON chunk BEGIN SELECT RAISE(ABORT, 'chunk is append-only'); END;
CREATE TRIGGER chunk_is_not_deleted BEFORE DELETE ON chunk BEGIN SELECT RAISE(ABORT, 'chunk is append-only'); END;
CREATE TRIGGER result_is_not_changed BEFORE UPDATE ON result BEGIN SELECT RAISE(ABORT, 'result is append-only'); END;
CREATE TRIGGER result_is_not_deleted BEFORE DELETE ON result BEGIN SELECT RAISE(ABORT, 'result is append-only'); END;
CREATE TRIGGER figure_is_not_changed BEFORE UPDATE ON figure BEGIN SELECT RAISE(ABORT, 'figure is append-only'); END;
CREATE TRIGGER figure_is_not_deleted BEFORE DELETE ON figure BEGIN SELECT RAISE(ABORT, 'figure is append-only'); END;
CREATE TRIGGER outcome_is_not_changed BEFORE UPDATE ON outcome BEGIN SELECT RAISE(ABORT, 'outcome is append-only'); END;
CREATE TRIGGER outcome_is_not_deleted BEFORE DELETE ON outcome BEGIN SELECT RAISE(ABORT, 'outcome is append-only'); END;
CREATE TRIGGER note_is_not_changed BEFORE UPDATE ON note BEGIN SELECT RAISE(ABORT, 'note is append-only'); END;
CREATE TRIGGER note_is_not_deleted BEFORE DELETE ON note BEGIN SELECT RAISE(ABORT, 'note is append-only'); END;
INSERT INTO "sqlite_sequence" VALUES('run',1);
INSERT INTO "sqlite_sequence" VALUES('result',1);
INSERT INTO "sqlite_sequence" VALUES('note',1);
