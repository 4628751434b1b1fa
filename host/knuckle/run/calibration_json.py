"""Calibrations as JSON: what a file holds, and what the store keeps."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np

from knuckle.errors import RecordingError, StoreError
from knuckle.estimate.calibration import Calibration, Drift, GyroCalibration, joint_covariance
from knuckle.estimate.sensor import ACCEL_TERMS, TURN
from knuckle.model.block import FloatArray

FORMAT: Final = "knuckle calibration"
VERSION: Final = 2
UNITS_1: Final = {"bias": "g", "matrix": "1", "turn": "deg", "temperature": "degC"}
UNITS: Final = {
    "bias": "g",
    "matrix": "1",
    "turn": "rad",
    "nonlinearity": "1/g",
    "temperature": "degC",
    "bias_drift": "g/degC",
    "scale_drift": "1/degC",
}
TERMS: Final = (
    *(f"bias_{axis}" for axis in "xyz"),
    *(f"matrix_{row}{column}" for row in "xyz" for column in "xyz"),
    *(f"turn_{axis}" for axis in "xyz"),
    *(f"nonlinearity_{axis}" for axis in "xyz"),
)
"""Rows of the accelerometer's covariance, in order."""

WRONG: Final = (KeyError, TypeError, ValueError, AttributeError, np.linalg.LinAlgError)


@dataclass(frozen=True)
class Made:
    """A calibration with what it was made of.

    Attributes
    ----------
    calibration : Calibration
    supported, unsupported : tuple of str
        Parameters that the poses settle, and those for which the data sheet's tolerance stands.
    gyro_unsupported : tuple of str
        The same of the gyro.
    face : bool
        Whether a face run has fixed how the chip is turned in its case.
    poses : int
        Poses used.
    run : int or None
        In the store.
    """

    calibration: Calibration
    supported: tuple[str, ...] = ()
    unsupported: tuple[str, ...] = ()
    gyro_unsupported: tuple[str, ...] = ()
    face: bool = False
    poses: int = 0
    run: int | None = None
    more: dict[str, Any] = field(default_factory=dict)
    """Members that this program does not know: kept as they are."""


MOST_ERROR: Final = 0.5
"""Bias (g) and matrix of no part are so far off; that far, the poses would settle nothing."""

_OWN: Final = frozenset(
    (
        "format",
        "version",
        "units",
        "pod",
        "date",
        "temperature",
        "accelerometer",
        "gyro",
        "drift",
        "made_of",
    )
)


def to_json(made: Made | Calibration) -> dict[str, Any]:
    """Return a calibration as the JSON object of docs/measurement.md."""
    if isinstance(made, Calibration):
        made = Made(made)
    kept = made.calibration
    gyro, drift, freedom = kept.gyro, kept.drift, kept.degrees_of_freedom
    return {
        "format": FORMAT,
        "version": VERSION,
        "units": UNITS,
        "pod": kept.identity,
        "date": kept.date,
        "temperature": kept.temp_c,
        "accelerometer": {
            "bias": kept.bias_g.tolist(),
            "matrix": kept.matrix.tolist(),
            "nonlinearity": kept.nonlinearity_per_g.tolist(),
            "terms": list(TERMS),
            "covariance": kept.covariance.tolist(),
            "degrees_of_freedom": freedom if math.isfinite(freedom) else None,
            "supported": list(made.supported),
            "unsupported": list(made.unsupported),
        },
        "gyro": None
        if gyro is None
        else {
            "matrix": gyro.matrix.tolist(),
            "covariance": gyro.covariance.tolist(),
            "in_accelerometer_axes": gyro.in_accelerometer_axes,
            "unsupported": list(made.gyro_unsupported),
        },
        "drift": None
        if drift is None
        else {
            "bias": drift.bias_g_per_c.tolist(),
            "scale": drift.scale_per_c.tolist(),
            "covariance": drift.covariance.tolist(),
            "low": drift.low_c,
            "high": drift.high_c,
        },
        "made_of": {"poses": made.poses, "face": made.face, "run": made.run},
        **made.more,
    }


def from_json(content: dict[str, Any]) -> Made:
    """Return a calibration of either version.

    Raises
    ------
    KeyError, TypeError, ValueError, AttributeError, numpy.linalg.LinAlgError
        If a member is missing or wrong: see `WRONG`.
    """
    first = content.get("version") == 1
    accel, gyro = content["accelerometer"], content.get("gyro")
    temperature = content.get("temperature")
    matrix, bias = _array(accel["matrix"], (3, 3)), _array(accel["bias"], (3,))
    if np.linalg.norm(matrix - np.eye(3), 2) > MOST_ERROR or np.max(np.abs(bias)) > MOST_ERROR:
        raise ValueError("bias or matrix is that of no accelerometer in g along the pod's axes")
    if first:
        joint = joint_covariance(_covariance(accel["covariance"], 12), float(accel["turn"]))
        freedom, curve, drift = None, np.zeros(3), None
    else:
        if tuple(accel["terms"]) != TERMS:
            raise ValueError("the covariance is of other terms")
        joint = _covariance(accel["covariance"], ACCEL_TERMS)
        # What is null may have been left out: the store merges facts so.
        freedom, curve = accel.get("degrees_of_freedom"), _array(accel["nonlinearity"], (3,))
        drift = content.get("drift")
    made_of = content.get("made_of") or {}
    run = made_of.get("run")
    return Made(
        Calibration(
            bias_g=bias,
            matrix=matrix,
            covariance=joint,
            gyro=None if gyro is None else _gyro(gyro),
            temp_c=None if temperature is None else float(temperature),
            identity=str(content.get("pod", "")),
            date=str(content.get("date", "")),
            nonlinearity_per_g=curve,
            degrees_of_freedom=math.inf if freedom is None else _positive(freedom),
            drift=None if drift is None else _drift(drift),
        ),
        supported=tuple(str(name) for name in accel.get("supported", ())),
        unsupported=tuple(str(name) for name in accel.get("unsupported", ())),
        gyro_unsupported=() if gyro is None else tuple(map(str, gyro.get("unsupported", ()))),
        face=bool(made_of.get("face", first)),
        poses=int(made_of.get("poses", 0)),
        run=None if run is None else int(run),
        more={name: value for name, value in content.items() if name not in _OWN},
    )


def read_made(path: Path) -> Made:
    """Read a calibration file with all that it says.

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
    version = content.get("version")
    if version not in (1, VERSION):
        if isinstance(version, int) and version > VERSION:
            raise RecordingError(
                f"{path} is a calibration of version {version}; this program reads 1 to {VERSION}.",
                "A newer program wrote it.",
                "Update this program, or calibrate with it.",
            )
        raise _bad(path, f"its version is {version!r}, this program reads 1 to {VERSION}")
    units = UNITS_1 if version == 1 else UNITS
    if content.get("units") != units:
        raise _bad(path, f"its units are {content.get('units')!r}, not {units}")
    try:
        return from_json(content)
    except WRONG as error:
        raise _bad(path, f"a member is missing or wrong ({error})") from error


def read_file(path: Path) -> Calibration:
    """Read a calibration file; raises as `read_made`."""
    return read_made(path).calibration


def of_record(record: Any) -> Made:
    """Return a calibration as the store keeps it.

    Raises
    ------
    StoreError
        If it cannot be read.
    """
    try:
        if record["format"] != FORMAT or record["version"] not in (1, VERSION):
            raise ValueError(f"format {record['format']!r}, version {record['version']!r}")
        return from_json(record)
    except WRONG as error:
        raise StoreError(
            f"A calibration in the store cannot be read: {error!r}.",
            "The store is damaged, or was changed or written by another version.",
            "Calibrate again with `knuckle calibrate`, or name a file with --calibration.",
        ) from error


def turn_u_deg(calibration: Calibration) -> tuple[float, float, float]:
    """Return the standard uncertainty of the chip's turn about the case's X, Y and Z, in deg."""
    x, y, z = np.degrees(np.sqrt(np.diag(calibration.covariance)[TURN]))
    return float(x), float(y), float(z)


def _gyro(gyro: Any) -> GyroCalibration:
    return GyroCalibration(
        _array(gyro["matrix"], (3, 3)),
        _covariance(gyro["covariance"], 9),
        bool(gyro.get("in_accelerometer_axes", False)),
    )


def _drift(drift: Any) -> Drift:
    return Drift(
        _array(drift["bias"], (3,)),
        _array(drift["scale"], (3,)),
        _covariance(drift["covariance"], 6),
        float(drift["low"]),
        float(drift["high"]),
    )


def _positive(value: Any) -> float:
    number = float(value)
    if not number > 0.0:
        raise ValueError(f"{number} degrees of freedom")
    return number


def _array(value: Any, shape: tuple[int, ...]) -> FloatArray:
    array = np.asarray(value, dtype=float)
    if array.shape != shape or not np.all(np.isfinite(array)):
        raise ValueError(f"expected finite numbers of shape {shape}, found {array.shape}")
    return array


def _covariance(value: Any, size: int) -> FloatArray:
    array = _array(value, (size, size))
    least = -1e-12 * max(1.0, float(np.max(np.diag(array))))
    if not np.allclose(array, array.T) or np.linalg.eigvalsh(array)[0] < least:
        raise ValueError("a covariance is not symmetric and positive")
    return array


def _bad(path: Path, why: str) -> RecordingError:
    return RecordingError(
        f"{path} is not a calibration file: {why}.",
        "It is another file, or was changed by hand.",
        "Give a file that `knuckle calibrate --out FILE` or `knuckle export RUN --as calibration` "
        "wrote.",
    )
