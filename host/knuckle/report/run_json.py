"""Runs of the store as JSON objects: for `runs --json`, `show --json` and the JSON export."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from knuckle.report.results_json import outcome_to_json
from knuckle.store.records import without_nan
from knuckle.store.rows import RunDetail, RunSummary

if TYPE_CHECKING:  # it needs numpy, which a list of runs does without
    from knuckle.store.arrivals import SampleClock

RUNS_SCHEMA: Final = 1


def summary_to_json(summary: RunSummary) -> dict[str, Any]:
    """Return a run as a list shows it."""
    return {
        "run": summary.run_id,
        "kind": summary.kind,
        "state": summary.state.value,
        "started_utc": summary.started_utc,
        "ended_utc": summary.ended_utc,
        "program_version": summary.program_version,
        "wheels": list(summary.wheels),
        "figures": [asdict(figure) for figure in summary.figures],
        "refused_codes": list(summary.refused_codes),
        "warning_count": summary.warning_count,
        "last_note": summary.note or None,
    }


def runs_to_json(summaries: Sequence[RunSummary]) -> dict[str, Any]:
    """Return a list of runs, newest first."""
    content = {"schema": RUNS_SCHEMA, "runs": [summary_to_json(item) for item in summaries]}
    plain: dict[str, Any] = without_nan(content)
    return plain


def detail_to_json(detail: RunDetail, clocks: Mapping[int, SampleClock]) -> dict[str, Any]:
    """Return all that is known of a run; every outcome is an object of docs/results.md.

    Parameters
    ----------
    detail : RunDetail
    clocks : mapping
        Of the streams by number; those without samples have none.

    Notes
    -----
    `outcomes` keeps earlier results of a wheel as well, oldest first; the last one counts.
    """
    content = {
        "schema": RUNS_SCHEMA,
        **summary_to_json(detail.summary),
        "facts": detail.facts,
        "streams": [
            {
                **asdict(row),
                "duration_s": row.duration_s,
                "first_sample_utc": clocks[row.stream].first_sample_utc
                if row.stream in clocks
                else None,
            }
            for row in detail.streams
        ],
        "outcomes": [
            outcome_to_json(
                row.outcome,
                measured_utc=row.measured_utc,
                program_version=row.program_version,
                method=row.method,
            )
            for row in detail.results
        ],
        "notes": [asdict(note) for note in detail.notes],
    }
    plain: dict[str, Any] = without_nan(content)
    return plain
