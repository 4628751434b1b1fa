-- A store of version 1, as the first version of the program wrote it.
PRAGMA application_id = 1263420235;
PRAGMA user_version = 1;
CREATE TABLE run (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('open', 'finished', 'interrupted', 'refused')),
    started_utc TEXT NOT NULL,
    ended_utc TEXT,
    program_version TEXT NOT NULL,
    facts TEXT NOT NULL DEFAULT '{}'
);
CREATE TABLE stream (
    run_id INTEGER NOT NULL REFERENCES run(id),
    stream INTEGER NOT NULL,
    wheel TEXT,
    address TEXT,
    identity TEXT,
    hello TEXT,
    PRIMARY KEY (run_id, stream)
) WITHOUT ROWID;
CREATE TABLE chunk (
    run_id INTEGER NOT NULL,
    sequence INTEGER NOT NULL,
    stream INTEGER NOT NULL,
    arrival_s REAL NOT NULL,
    data BLOB NOT NULL,
    PRIMARY KEY (run_id, sequence),
    FOREIGN KEY (run_id, stream) REFERENCES stream(run_id, stream)
) WITHOUT ROWID;
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
CREATE TABLE figure (
    result_id INTEGER NOT NULL REFERENCES result(id),
    quantity TEXT NOT NULL,
    value REAL NOT NULL,
    expanded_uncertainty REAL NOT NULL,
    unit TEXT NOT NULL,
    PRIMARY KEY (result_id, quantity)
) WITHOUT ROWID;
CREATE TABLE outcome (
    result_id INTEGER PRIMARY KEY REFERENCES result(id),
    record TEXT NOT NULL
);
CREATE TABLE note (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run_id INTEGER NOT NULL REFERENCES run(id),
    written_utc TEXT NOT NULL,
    text TEXT NOT NULL
);
CREATE INDEX result_of_run ON result (run_id, wheel, id);
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
INSERT INTO run VALUES (1, 'sweep', 'finished', '2026-01-10T09:30:00.000+00:00', '2026-01-10T09:32:10.500+00:00', '0.0.1', '{"seed": 7, "brake": "on"}');
INSERT INTO run VALUES (2, 'camber', 'open', '2026-01-10T10:00:00.000+00:00', NULL, '0.0.1', '{}');
INSERT INTO stream VALUES (1, 0, 'LF', 'sim:car', '0001020304050607', NULL);
INSERT INTO stream VALUES (1, 1, 'RF', 'sim:car', NULL, NULL);
INSERT INTO stream VALUES (2, 0, 'LF', NULL, NULL, NULL);
INSERT INTO chunk VALUES (1, 0, 0, 0.25, X'00010200');
INSERT INTO chunk VALUES (1, 1, 0, 1.75, X'FFFE');
INSERT INTO result VALUES (1, 1, '2026-01-10T09:32:11.000+00:00', '0.0.1', 'sweep-1', 'sweep', 'LF', NULL, 0);
INSERT INTO figure VALUES (1, 'caster', 5.25, 0.5, 'deg');
INSERT INTO outcome VALUES (1, '{"record": 1, "measure": "sweep", "wheel": "LF", "results": [{"quantity": "caster", "value": 5.25, "expanded_uncertainty": 0.5, "coverage_factor": 2.0, "unit": "deg", "budget": [{"term": "noise of the rests", "source": "noise", "standard_uncertainty": 0.25, "degrees_of_freedom": null}], "condition": ""}], "rests": [], "warnings": [], "refused": null, "details": {}}');
INSERT INTO note VALUES (1, 1, '2026-01-10T09:35:00.000+00:00', 'before the bushes were changed');
