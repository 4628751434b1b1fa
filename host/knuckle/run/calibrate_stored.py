"""Calibration from what is already recorded: a file, a stored run, or one that is carried on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from knuckle.errors import StoreError, UsageError
from knuckle.run.calibrate import (
    EARLIER,
    MADE,
    Calibrated,
    CalibrateTask,
    Earlier,
    calibrate_recording,
)
from knuckle.run.calibrations import CALIBRATION, NONE, moment_of
from knuckle.run.linear import stamp
from knuckle.run.pose_marks import from_facts
from knuckle.run.replay import Recording, read_recording, recording_of
from knuckle.store.capture import is_capture, read_capture
from knuckle.store.database import Store
from knuckle.store.recording import decode_run, samples_of
from knuckle.store.rows import RunDetail

KIND: Final = "calibrate"


def earlier_runs(store: Store, name: str) -> tuple[Earlier, ...]:
    """Return a run that is to be carried on, after those that it carries on itself.

    Parameters
    ----------
    name : str
        Its number, or "last" for the last calibration.

    Raises
    ------
    UsageError
        If there is none, or it is another measurement's.
    StoreError
        If it cannot be read.
    """
    detail = _detail(store, name)
    number = detail.summary.run_id
    if detail.summary.kind != KIND:
        raise UsageError(
            f"Run {number} is no calibration but a measurement of {detail.summary.kind}.",
            "",
            "`knuckle runs` lists the runs that are kept.",
        )
    return (*_before(store, detail.facts), _earlier(store, detail))


def calibrate_source(
    store: Store, source: str, task: CalibrateTask
) -> tuple[Calibrated, int | None, Sequence[str]]:
    """Calibrate from a file or a stored run.

    A run, and a capture exported from one, tells which poses were taken and what for. Of any other
    recording every pose that is found is taken as one in the hand.

    Returns
    -------
    Calibrated
    int or None
        The run's number, if it is one of the store.
    sequence of str
        What was left out in reading.

    Raises
    ------
    UsageError
        If there is no such run, or the readings are corrected already.
    RecordingError
        If the file cannot be read.
    """
    path, run = Path(source), None
    facts: Mapping[str, Any]
    if not path.exists() and _names_a_run(source):
        detail = _detail(store, source)
        recording, facts = _recording(store, detail), detail.facts
        run, date = detail.summary.run_id, _date(detail)
        task = replace(task, earlier=_before(store, facts))
    else:
        recording, facts = read_recording(path), _facts_of(path)
        _check_not_corrected(recording)
        date = stamp() if recording.at is None else stamp(recording.at)
    if "turn_deg" in facts and task.turn_deg is None:
        turn_u_deg = float(facts.get("turn_u_deg", task.turn_u_deg))
        task = replace(task, turn_deg=float(facts["turn_deg"]), turn_u_deg=turn_u_deg)
    found = calibrate_recording(
        recording, task, from_facts(facts), date=date, drops=int(facts.get("drops", 0))
    )
    return found, run, recording.notices


def _date(detail: RunDetail) -> str:
    """Return the date of the calibration that a run has made, or of its end."""
    made = detail.facts.get(MADE)
    if isinstance(made, dict) and made.get("date"):
        return str(made["date"])
    moment = moment_of(detail.summary.ended_utc or detail.summary.started_utc)
    return stamp(moment)


def _names_a_run(source: str) -> bool:
    return source.strip().lower() == "last" or source.strip().isdigit()


def _detail(store: Store, name: str) -> RunDetail:
    named = name.strip().lower()
    if named == "last":
        found = next((row.run_id for row in store.runs() if row.kind == KIND), None)
        if found is None:
            raise UsageError("The store keeps no calibration run yet.", "", "Begin one anew.")
        return store.run(found)
    if not named.isdigit() or len(named) > 18:
        raise UsageError(
            f"{name!r} is not the number of a run.", "", "`knuckle runs` lists those that are kept."
        )
    return store.run(int(named))


def _before(store: Store, facts: Mapping[str, Any]) -> tuple[Earlier, ...]:
    try:
        numbers = [int(number) for number in facts.get(EARLIER, [])]
    except (TypeError, ValueError) as error:
        raise StoreError(
            f"The runs that a run carries on cannot be read: {error}.",
            "The store is damaged or was changed by another program.",
            "Calibrate anew.",
        ) from error
    return tuple(_earlier(store, store.run(number)) for number in numbers)


def _earlier(store: Store, detail: RunDetail) -> Earlier:
    marks = from_facts(detail.facts)
    return Earlier(
        detail.summary.run_id, _recording(store, detail), None if marks is None else tuple(marks)
    )


def _recording(store: Store, detail: RunDetail) -> Recording:
    decoded = decode_run(store, detail.summary.run_id, 0)
    return recording_of(samples_of(decoded, detail.summary.run_id, 0), decoded, [])


def _facts_of(path: Path) -> Mapping[str, Any]:
    if not is_capture(path):
        return {}
    with read_capture(path) as capture:
        return capture.header.facts


def _check_not_corrected(recording: Recording) -> None:
    if recording.facts.get(CALIBRATION, NONE) != NONE:
        raise UsageError(
            "The recording says that its readings are corrected by a calibration already.",
            "A pod is calibrated from its readings as they come.",
            "Export the run with --raw, or as a capture.",
        )
