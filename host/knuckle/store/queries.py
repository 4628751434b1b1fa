"""Reading a store. The list of runs reads neither raw bytes nor whole outcomes."""

from __future__ import annotations

import json
import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterator
from typing import Any, Final

from knuckle.errors import UsageError
from knuckle.store.records import outcome_from_text
from knuckle.store.rows import (
    CalibrationRow,
    Figure,
    NoteRow,
    ResultRow,
    RunDetail,
    RunState,
    RunSummary,
    StoredChunk,
    StreamRow,
)

_CHOSEN: Final = "WITH chosen AS (SELECT id FROM run {where} ORDER BY id DESC LIMIT :limit) "

RUNS: Final = _CHOSEN + (
    "SELECT id, kind, state, started_utc, ended_utc, program_version FROM run "
    "WHERE id IN chosen ORDER BY id DESC"
)
WHEELS: Final = _CHOSEN + (
    "SELECT run_id, wheel FROM stream WHERE run_id IN chosen ORDER BY run_id, stream"
)
LATEST: Final = "SELECT max(id) FROM result WHERE run_id IN chosen GROUP BY run_id, wheel"
RESULTS: Final = _CHOSEN + (
    f"SELECT run_id, refused_code, warning_count FROM result WHERE id IN ({LATEST}) ORDER BY id"
)
FIGURES: Final = _CHOSEN + (
    "SELECT result.run_id, result.wheel, figure.quantity, figure.value, "
    "figure.expanded_uncertainty, figure.unit "
    "FROM result JOIN figure ON figure.result_id = result.id "
    f"WHERE result.id IN ({LATEST}) ORDER BY result.id"
)
NOTES: Final = _CHOSEN + (
    "SELECT run_id, text, (SELECT count(*) FROM note AS every WHERE every.run_id = note.run_id) "
    "FROM note WHERE id IN (SELECT max(id) FROM note WHERE run_id IN chosen GROUP BY run_id)"
)
LIST_STATEMENTS: Final = (RUNS, WHEELS, RESULTS, FIGURES, NOTES)
"""All that a list of runs reads; `{where}` stands for which runs."""


def run_summaries(
    connection: sqlite3.Connection,
    is_live: Callable[[int], bool],
    *,
    limit: int | None = None,
    only: int | None = None,
) -> list[RunSummary]:
    """Return runs, newest first; the statements are the same five for any number of runs."""
    where = "" if only is None else "WHERE id = :only"
    values = {"limit": -1 if limit is None else limit, "only": only}

    def rows(statement: str) -> Iterator[Any]:
        return connection.execute(statement.format(where=where), values)

    wheels: dict[int, list[str]] = defaultdict(list)
    for run, wheel in rows(WHEELS):
        if wheel is not None:
            wheels[run].append(wheel)
    refused: dict[int, list[str]] = defaultdict(list)
    warnings: dict[int, int] = defaultdict(int)
    for run, code, count in rows(RESULTS):
        warnings[run] += count
        if code is not None:
            refused[run].append(code)
    figures: dict[int, list[Figure]] = defaultdict(list)
    for run, *figure in rows(FIGURES):
        figures[run].append(Figure(*figure))
    notes = {run: (text, count) for run, text, count in rows(NOTES)}
    summaries = []
    for run, kind, state, started, ended, program in rows(RUNS):
        shown = RunState(state)
        if shown is RunState.OPEN and not is_live(run):
            shown = RunState.INTERRUPTED
        text, count = notes.get(run, ("", 0))
        summaries.append(
            RunSummary(
                run_id=run,
                kind=kind,
                state=shown,
                started_utc=started,
                ended_utc=ended,
                program_version=program,
                wheels=tuple(wheels[run]),
                figures=tuple(figures[run]),
                refused_codes=tuple(refused[run]),
                warning_count=warnings[run],
                note=text,
                note_count=count,
            )
        )
    return summaries


def run_detail(
    connection: sqlite3.Connection, is_live: Callable[[int], bool], run: int
) -> RunDetail:
    """Return one run.

    Raises
    ------
    UsageError
        If there is no such run.
    """
    found = run_summaries(connection, is_live, only=run)
    if not found:
        last = connection.execute("SELECT max(id) FROM run").fetchone()[0]
        raise UsageError(
            f"There is no run {run} in the store.",
            "The store is empty." if last is None else f"The last one is run {last}.",
            "See `knuckle runs`.",
        )
    facts = connection.execute("SELECT facts FROM run WHERE id = ?", (run,)).fetchone()[0]
    return RunDetail(
        summary=found[0],
        facts=json.loads(facts),
        streams=tuple(_streams(connection, run)),
        results=tuple(_results(connection, run)),
        notes=tuple(
            NoteRow(*row)
            for row in connection.execute(
                "SELECT written_utc, text FROM note WHERE run_id = ? ORDER BY id", (run,)
            )
        ),
    )


def kept_calibrations(connection: sqlite3.Connection) -> list[CalibrationRow]:
    """Return every calibration, newest first; a record that is no JSON object is left empty."""
    statement = "SELECT id, made_utc, pod_identity, record FROM calibration ORDER BY id DESC"
    return [
        CalibrationRow(number, made_utc, identity or "", _object(record))
        for number, made_utc, identity, record in connection.execute(statement)
    ]


def _object(text: str) -> dict[str, Any]:
    try:
        content = json.loads(text)
    except ValueError:
        return {}
    return content if isinstance(content, dict) else {}


def _streams(connection: sqlite3.Connection, run: int) -> Iterator[StreamRow]:
    for row in connection.execute(
        "SELECT stream, wheel, address, identity, hello, chunk_count, byte_count, "
        "first_arrival_s, last_arrival_s FROM stream WHERE run_id = ? ORDER BY stream",
        (run,),
    ):
        stream, wheel, address, identity, hello, *counts = row
        yield StreamRow(
            stream, wheel, address, identity, None if hello is None else json.loads(hello), *counts
        )


def _results(connection: sqlite3.Connection, run: int) -> Iterator[ResultRow]:
    for result, measured, program, method, record in connection.execute(
        "SELECT id, measured_utc, program_version, method, record "
        "FROM result JOIN outcome ON result_id = id WHERE run_id = ? ORDER BY id",
        (run,),
    ):
        yield ResultRow(result, measured, program, method, outcome_from_text(record))


def stored_chunks(
    connection: sqlite3.Connection, run: int, stream: int | None
) -> Iterator[StoredChunk]:
    """Yield a run's raw bytes in the order in which they came."""
    for row in connection.execute(
        "SELECT stream, arrival_s, data FROM chunk WHERE run_id = :run "
        "AND (:stream IS NULL OR stream = :stream) ORDER BY sequence",
        {"run": run, "stream": stream},
    ):
        yield StoredChunk(*row)
