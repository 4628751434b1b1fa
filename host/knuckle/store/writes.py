"""What is added to a store once a run stands: results, notes, calibrations."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping
from typing import Any

from knuckle.model.result import Outcome
from knuckle.store.records import outcome_to_text, to_text


def insert_result(
    connection: sqlite3.Connection,
    run: int,
    outcome: Outcome,
    *,
    method: str,
    program_version: str,
    measured_utc: str,
) -> int:
    """Append an outcome with its main figures; return its number. Inside a transaction."""
    result = connection.execute(
        "INSERT INTO result (run_id, measured_utc, program_version, method, measure, "
        "wheel, refused_code, warning_count) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            run,
            measured_utc,
            program_version,
            method,
            outcome.measure,
            str(outcome.wheel),
            None if outcome.refused is None else outcome.refused.code,
            len(outcome.warnings),
        ),
    ).lastrowid
    assert result is not None
    connection.executemany(
        "INSERT INTO figure (result_id, quantity, value, expanded_uncertainty, unit) "
        "VALUES (?, ?, ?, ?, ?)",
        (
            (
                result,
                item.quantity.value,
                float(item.value),
                float(item.expanded_uncertainty),
                item.unit,
            )
            for item in outcome.results.values()
            if math.isfinite(item.value) and math.isfinite(item.expanded_uncertainty)
        ),
    )
    connection.execute(
        "INSERT INTO outcome (result_id, record) VALUES (?, ?)",
        (result, outcome_to_text(outcome)),
    )
    return result


def insert_note(connection: sqlite3.Connection, run: int, text: str, written_utc: str) -> None:
    """Append a note to a run. Inside a transaction."""
    connection.execute(
        "INSERT INTO note (run_id, written_utc, text) VALUES (?, ?, ?)", (run, written_utc, text)
    )


def insert_calibration(
    connection: sqlite3.Connection, identity: str, record: Mapping[str, Any], made_utc: str
) -> int:
    """Append a calibration of a pod; return its number. Inside a transaction."""
    number = connection.execute(
        "INSERT INTO calibration (made_utc, pod_identity, record) VALUES (?, ?, ?)",
        (made_utc, identity or None, to_text(dict(record))),
    ).lastrowid
    assert number is not None
    return number
