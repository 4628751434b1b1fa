"""The tables of the store, as docs/store.md describes them."""

from __future__ import annotations

from typing import Final

SCHEMA_VERSION: Final = 3
"""Kept in the file as `PRAGMA user_version`."""

APPLICATION_ID: Final = 0x4B4E434B
"""Kept in the file as `PRAGMA application_id`: "KNCK"."""

APPEND_ONLY: Final = ("chunk", "result", "figure", "outcome", "note", "job_entry")
"""Tables whose rows are never changed or deleted."""

TABLES: Final = (
    """CREATE TABLE car (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL,
        facts TEXT NOT NULL DEFAULT '{}'
    )""",
    """CREATE TABLE job (
        id INTEGER PRIMARY KEY,
        car_id INTEGER REFERENCES car(id),
        begun_utc TEXT NOT NULL,
        facts TEXT NOT NULL DEFAULT '{}'
    )""",
    """CREATE TABLE job_entry (
        job_id INTEGER NOT NULL REFERENCES job(id),
        sequence INTEGER NOT NULL,
        written_utc TEXT NOT NULL,
        phase TEXT NOT NULL,
        kind TEXT NOT NULL,
        run_id INTEGER REFERENCES run(id),
        record TEXT NOT NULL,
        PRIMARY KEY (job_id, sequence)
    ) WITHOUT ROWID""",
    """CREATE TABLE mounting (
        id INTEGER PRIMARY KEY,
        made_utc TEXT NOT NULL,
        record TEXT NOT NULL
    )""",
    """CREATE TABLE calibration (
        id INTEGER PRIMARY KEY,
        made_utc TEXT NOT NULL,
        pod_identity TEXT,
        record TEXT NOT NULL
    )""",
    """CREATE TABLE run (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        kind TEXT NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('open', 'finished', 'interrupted', 'refused')),
        started_utc TEXT NOT NULL,
        ended_utc TEXT,
        program_version TEXT NOT NULL,
        facts TEXT NOT NULL DEFAULT '{}',
        job_id INTEGER REFERENCES job(id),
        car_id INTEGER REFERENCES car(id)
    )""",
    """CREATE TABLE stream (
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
    ) WITHOUT ROWID""",
    """CREATE TABLE chunk (
        run_id INTEGER NOT NULL,
        sequence INTEGER NOT NULL,
        stream INTEGER NOT NULL,
        arrival_s REAL NOT NULL,
        data BLOB NOT NULL,
        PRIMARY KEY (run_id, sequence),
        FOREIGN KEY (run_id, stream) REFERENCES stream(run_id, stream)
    ) WITHOUT ROWID""",
    """CREATE TABLE result (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        run_id INTEGER NOT NULL REFERENCES run(id),
        measured_utc TEXT NOT NULL,
        program_version TEXT NOT NULL,
        method TEXT NOT NULL,
        measure TEXT NOT NULL,
        wheel TEXT NOT NULL,
        refused_code TEXT,
        warning_count INTEGER NOT NULL DEFAULT 0
    )""",
    """CREATE TABLE figure (
        result_id INTEGER NOT NULL REFERENCES result(id),
        quantity TEXT NOT NULL,
        value REAL NOT NULL,
        expanded_uncertainty REAL NOT NULL,
        unit TEXT NOT NULL,
        PRIMARY KEY (result_id, quantity)
    ) WITHOUT ROWID""",
    """CREATE TABLE outcome (
        result_id INTEGER PRIMARY KEY REFERENCES result(id),
        record TEXT NOT NULL
    )""",
    """CREATE TABLE note (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        run_id INTEGER NOT NULL REFERENCES run(id),
        written_utc TEXT NOT NULL,
        text TEXT NOT NULL
    )""",
    "CREATE INDEX result_of_run ON result (run_id, wheel, id)",
    "CREATE INDEX run_left_open ON run (id) WHERE state = 'open'",
    "CREATE INDEX note_of_run ON note (run_id, id)",
    "CREATE UNIQUE INDEX car_by_name ON car (name)",
    "CREATE INDEX job_of_car ON job (car_id, id)",
    "CREATE INDEX job_entry_of_kind ON job_entry (kind, job_id)",
    "CREATE INDEX job_entry_of_run ON job_entry (run_id) WHERE run_id IS NOT NULL",
    "CREATE INDEX run_of_job ON run (job_id, id) WHERE job_id IS NOT NULL",
    "CREATE INDEX run_of_car ON run (car_id, id) WHERE car_id IS NOT NULL",
)


def append_only_triggers(table: str) -> tuple[str, str]:
    """Return the two triggers that refuse to change or delete a row of a table."""
    return (
        f"CREATE TRIGGER {table}_is_not_changed BEFORE UPDATE ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END",
        f"CREATE TRIGGER {table}_is_not_deleted BEFORE DELETE ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END",
    )


CREATE: Final[tuple[str, ...]] = (
    *TABLES,
    *(statement for table in APPEND_ONLY for statement in append_only_triggers(table)),
)
"""All statements that make an empty store of the current version."""
