"""A job's figures as one flat table: for CSV, Parquet and pandas."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from knuckle.errors import UsageError
from knuckle.job.book import JobView
from knuckle.report.export import new_file

COLUMNS: Final = (
    "job",
    "car",
    "quantity",
    "place",
    "round",
    "measured_utc",
    "value",
    "expanded_uncertainty",
    "coverage_factor",
    "unit",
    "condition",
    "target",
    "target_low",
    "target_high",
    "verdict",
    "by_hand",
    "stale",
    "runs",
    "dominant_term",
    "dominant_standard_uncertainty",
)
"""One row a figure and round; what is not known is an empty cell."""


def job_rows(view: JobView) -> list[dict[str, Any]]:
    """Return one row for each figure in each round in which it was read."""
    rows = []
    for row in view.figures:
        for figure in row.rounds:
            result = figure.result
            started = [view.runs[run].started_utc for run in figure.runs if run in view.runs]
            target = row.target
            rows.append(
                {
                    "job": view.row.job_id,
                    "car": view.car.name,
                    "quantity": row.quantity.value,
                    "place": row.place,
                    "round": figure.words,
                    "measured_utc": max(started, default=""),
                    "value": result.value,
                    "expanded_uncertainty": result.expanded_uncertainty,
                    "coverage_factor": result.coverage_factor,
                    "unit": result.unit,
                    "condition": result.condition,
                    "target": None if target is None else target.value,
                    "target_low": None if target is None else target.low,
                    "target_high": None if target is None else target.high,
                    "verdict": "" if figure.standing is None else figure.standing.value,
                    "by_hand": figure.by_hand,
                    "stale": row.stale and figure is row.now,
                    "runs": " ".join(str(run) for run in figure.runs),
                    "dominant_term": result.dominant.term if result.budget else "",
                    "dominant_standard_uncertainty": result.dominant.standard_uncertainty
                    if result.budget
                    else None,
                }
            )
    return rows


def write_csv(rows: Sequence[Mapping[str, Any]], path: Path, *, overwrite: bool = False) -> None:
    """Write rows as CSV, UTF-8, header first.

    Raises
    ------
    UsageError, RecordingError
        As `export.new_file`.
    """
    with (
        new_file(path, overwrite) as part,
        part.open("w", encoding="utf-8", newline="") as file,
    ):
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        for row in rows:
            writer.writerow({key: _cell(value) for key, value in row.items()})


def _cell(value: Any) -> Any:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return value


def write_parquet(
    rows: Sequence[Mapping[str, Any]], path: Path, *, overwrite: bool = False
) -> None:
    """Write rows as Parquet.

    Raises
    ------
    UsageError
        If the extra "parquet" is not installed, or as `export.new_file`.
    """
    try:
        import pandas as pd
        import pyarrow  # noqa: F401  (pandas finds it by itself; absent is told here)
    except ImportError as error:
        raise UsageError(
            f"Parquet needs the package {error.name}, which is not installed.",
            "It belongs to the extra `parquet`.",
            'Install it with `python -m pip install "knuckle[parquet]"`, or export as csv.',
        ) from error
    frame = pd.DataFrame(list(rows), columns=list(COLUMNS))
    with new_file(path, overwrite) as part:
        frame.to_parquet(part, engine="pyarrow", index=False)
