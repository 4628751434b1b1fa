"""Calibrations from where they are kept: the pod's own settings, or a JSON file."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from knuckle.errors import RecordingError, StoreError, UsageError
from knuckle.estimate.calibration import Calibration, GyroCalibration, joint_covariance
from knuckle.model.block import Block, FloatArray
from knuckle.run.events import PodSeen
from knuckle.store.recording import Decoded
from knuckle.wire.settings import SettingsRecord

FORMAT: Final = "knuckle calibration"
VERSION: Final = 1
UNITS: Final = {"bias": "g", "matrix": "1", "turn": "deg", "temperature": "degC"}

CALIBRATION: Final = "calibration"
"""The name of the fact that tells by which calibration a run was measured."""


def identity_of(seen: PodSeen) -> str:
    """Return a pod's identity as it is stored: hexadecimal, or a text pod's `id`; else empty."""
    if any(seen.identity):
        return seen.identity.hex()
    return dict(seen.facts).get("id", "")


def of_settings(record: SettingsRecord | None) -> Calibration | None:
    """Return the calibration that a pod keeps, or None.

    The pod has room for standard uncertainties only, so the terms count as independent.
    """
    if record is None or record.calibration is None:
        return None
    kept = record.calibration
    sigma = np.concatenate([kept.accel_bias_u_g, np.ravel(kept.accel_matrix_u)])
    return Calibration(
        bias_g=np.array(kept.accel_bias_g),
        matrix=np.array(kept.accel_matrix),
        covariance=joint_covariance(np.diag(sigma**2), kept.turn_u_deg),
        gyro=GyroCalibration(
            np.array(kept.gyro_matrix), np.diag(np.ravel(kept.gyro_matrix_u) ** 2)
        ),
        temp_c=kept.temp_c,
        identity=record.identity.hex(),
        date=datetime.fromtimestamp(kept.date, UTC).isoformat(),
    )


def stored_in_pod(seen: PodSeen) -> Callable[[Block], Block] | None:
    """Return what corrects a pod's readings by the calibration that it keeps, or None."""
    calibration = of_settings(seen.settings)
    return None if calibration is None else calibration.applied


def used_fact(
    given: Calibration | None, uncalibrated: bool, decoded: Decoded | None = None
) -> dict[str, Any]:
    """Return by which calibration a run is measured, as its facts keep it.

    Parameters
    ----------
    given : Calibration or None
        Named by the user.
    uncalibrated : bool
        Whether the user says that there is none.
    decoded : Decoded, optional
        What the pod has sent; its own calibration stands in there.

    Returns
    -------
    dict
        `source`: "file", "pod", "applied" (a text pod's word for its readings) or "none"; of
        a calibration also `date` and `pod`, and the whole `record` of one from a file.
    """
    if uncalibrated:
        return {"source": "none"}
    kept = given or (None if decoded is None else of_settings(decoded.settings))
    if kept is None:
        text = decoded is not None and decoded.hello is None
        says_none = decoded is None or decoded.text_facts.get("calibration") == "none"
        return {"source": "applied" if text and not says_none else "none"}
    fact: dict[str, Any] = {
        "source": "file" if given is not None else "pod",
        "date": kept.date,
        "pod": kept.identity,
    }
    if given is not None:
        fact["record"] = to_json(given)
    return fact


def of_run(facts: Mapping[str, Any], decoded: Decoded) -> tuple[dict[str, Any], Calibration | None]:
    """Return by which calibration a stored run was measured.

    Parameters
    ----------
    facts : mapping
        The run's. Where they tell nothing (a run that never came to a result) it is the pod's
        own.
    decoded : Decoded
        Its raw bytes.

    Raises
    ------
    StoreError
        If the facts hold a calibration that cannot be read.
    """
    fact = dict(facts.get(CALIBRATION) or used_fact(None, False, decoded))
    if fact["source"] == "pod":
        return fact, of_settings(decoded.settings)
    if fact["source"] != "file":
        return fact, None
    try:
        return fact, _calibration(fact["record"])
    except _WRONG as error:
        raise StoreError(
            f"The calibration kept with the run cannot be read: {error!r}.",
            "The store is damaged or was changed by another program.",
            "`knuckle export RUN --as csv --raw` writes the readings without it.",
        ) from error


def check_same_pod(calibration: Calibration, identity: str) -> None:
    """Refuse a calibration of another pod than the readings', where both are known.

    Raises
    ------
    UsageError
        If the pods differ.
    """
    if calibration.identity and identity and calibration.identity != identity:
        raise UsageError(
            f"The calibration is of pod {calibration.identity}, the readings of {identity}.",
            "Each chip has errors of its own: another pod's calibration makes them worse.",
            "Name this pod's calibration, or leave --calibration out.",
        )


def to_json(calibration: Calibration) -> dict[str, Any]:
    """Return a calibration as the JSON object of docs/measurement.md."""
    gyro = calibration.gyro
    return {
        "format": FORMAT,
        "version": VERSION,
        "units": UNITS,
        "pod": calibration.identity,
        "date": calibration.date,
        "temperature": calibration.temp_c,
        "accelerometer": {
            "bias": calibration.bias_g.tolist(),
            "matrix": calibration.matrix.tolist(),
            "covariance": calibration.covariance[:12, :12].tolist(),
            "turn": calibration.turn_deg,
        },
        "gyro": None
        if gyro is None
        else {"matrix": gyro.matrix.tolist(), "covariance": gyro.covariance.tolist()},
    }


def read_file(path: Path) -> Calibration:
    """Read a calibration file.

    Raises
    ------
    RecordingError
        If it is missing, no calibration, of another version, or in other units.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise RecordingError(
            f"The calibration file {path} cannot be read: {error.strerror or error}.",
            "",
            "Check the name given with --calibration.",
        ) from error
    except (ValueError, RecursionError) as error:
        raise _bad(path, f"it is no JSON text ({error})") from error
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise _bad(path, f'it does not say "format": "{FORMAT}"')
    if content.get("version") != VERSION:
        raise _bad(path, f"its version is {content.get('version')!r}, this program reads {VERSION}")
    if content.get("units") != UNITS:
        raise _bad(path, f"its units are {content.get('units')!r}, not {UNITS}")
    try:
        return _calibration(content)
    except _WRONG as error:
        raise _bad(path, f"a member is missing or wrong ({error})") from error


_WRONG: Final = (KeyError, TypeError, ValueError, AttributeError, np.linalg.LinAlgError)


def _calibration(content: dict[str, Any]) -> Calibration:
    accel, gyro = content["accelerometer"], content.get("gyro")
    temperature = content.get("temperature")
    matrix = _array(accel["matrix"], (3, 3))
    np.linalg.inv(matrix)
    return Calibration(
        bias_g=_array(accel["bias"], (3,)),
        matrix=matrix,
        covariance=joint_covariance(_covariance(accel["covariance"], 12), float(accel["turn"])),
        gyro=None
        if gyro is None
        else GyroCalibration(_array(gyro["matrix"], (3, 3)), _covariance(gyro["covariance"], 9)),
        temp_c=None if temperature is None else float(temperature),
        identity=str(content.get("pod", "")),
        date=str(content.get("date", "")),
    )


def _array(value: Any, shape: tuple[int, ...]) -> FloatArray:
    array = np.asarray(value, dtype=float)
    if array.shape != shape or not np.all(np.isfinite(array)):
        raise ValueError(f"expected finite numbers of shape {shape}, found {array.shape}")
    return array


def _covariance(value: Any, size: int) -> FloatArray:
    array = _array(value, (size, size))
    if not np.allclose(array, array.T) or np.linalg.eigvalsh(array)[0] < -1e-12:
        raise ValueError("a covariance is not symmetric and positive")
    return array


def _bad(path: Path, why: str) -> RecordingError:
    return RecordingError(
        f"{path} is not a calibration file: {why}.",
        "It is another file, or was changed by hand.",
        "Give a file that `knuckle export RUN --as calibration` wrote.",
    )
