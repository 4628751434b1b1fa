"""Calibrations from where they are kept: the pod's own settings, or a JSON file."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from knuckle.errors import RecordingError
from knuckle.estimate.calibration import Calibration, GyroCalibration
from knuckle.model.block import Block, FloatArray
from knuckle.run.events import PodSeen
from knuckle.wire.settings import SettingsRecord

FORMAT: Final = "knuckle calibration"
VERSION: Final = 1


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
        covariance=np.diag(sigma**2),
        turn_deg=kept.turn_u_deg,
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


def to_json(calibration: Calibration) -> dict[str, Any]:
    """Return a calibration as the JSON object of docs/measurement.md."""
    gyro = calibration.gyro
    return {
        "format": FORMAT,
        "version": VERSION,
        "units": {"bias": "g", "matrix": "1", "turn": "deg", "temperature": "degC"},
        "pod": calibration.identity,
        "date": calibration.date,
        "temperature": calibration.temp_c,
        "accelerometer": {
            "bias": calibration.bias_g.tolist(),
            "matrix": calibration.matrix.tolist(),
            "covariance": calibration.covariance.tolist(),
            "turn": calibration.turn_deg,
        },
        "gyro": None
        if gyro is None
        else {"matrix": gyro.matrix.tolist(), "covariance": gyro.covariance.tolist()},
    }


def write_file(path: Path, calibration: Calibration) -> None:
    """Write a calibration file.

    Raises
    ------
    RecordingError
        If it cannot be written.
    """
    try:
        path.write_text(json.dumps(to_json(calibration), indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise RecordingError(
            f"The calibration file {path} cannot be written: {error.strerror or error}.",
            "",
            "Choose a folder that can be written to.",
        ) from error


def read_file(path: Path) -> Calibration:
    """Read a calibration file.

    Raises
    ------
    RecordingError
        If it is missing, no calibration, or of a later version.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise RecordingError(
            f"The calibration file {path} cannot be read: {error.strerror or error}.",
            "",
            "Check the name given with --calibration.",
        ) from error
    except ValueError as error:
        raise _bad(path, f"it is no JSON text ({error})") from error
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise _bad(path, f'it does not say "format": "{FORMAT}"')
    if content.get("version") != VERSION:
        raise _bad(path, f"its version is {content.get('version')!r}, this program reads {VERSION}")
    try:
        return _calibration(content)
    except (KeyError, TypeError, ValueError, np.linalg.LinAlgError) as error:
        raise _bad(path, f"a member is missing or wrong ({error})") from error


def _calibration(content: dict[str, Any]) -> Calibration:
    accel, gyro = content["accelerometer"], content.get("gyro")
    temperature = content.get("temperature")
    matrix = _array(accel["matrix"], (3, 3))
    np.linalg.inv(matrix)
    return Calibration(
        bias_g=_array(accel["bias"], (3,)),
        matrix=matrix,
        covariance=_covariance(accel["covariance"], 12),
        turn_deg=float(accel["turn"]),
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
        "Give a file that this program wrote.",
    )
