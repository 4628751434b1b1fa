"""A calibration in the pod's own memory: parameters and standard uncertainties, read back."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Generator
from datetime import UTC, datetime
from typing import cast

import numpy as np

from knuckle.errors import KnuckleError, PodError
from knuckle.estimate.calibration import Calibration
from knuckle.estimate.data_sheets import Parts, gyro_sheet
from knuckle.estimate.priors import GyroPrior
from knuckle.model.block import FloatArray
from knuckle.run.calibration_json import turn_u_deg
from knuckle.run.calibrations import moment_of
from knuckle.run.exchange import Reply, Request
from knuckle.run.identity import NO_IDENTITY, read_settings
from knuckle.run.podsettings import written_and_read_back
from knuckle.wire.messages import Hello
from knuckle.wire.settings import Matrix, SettingsRecord, StoredCalibration, Vector, is_blank


def for_pod(calibration: Calibration, parts: Parts) -> StoredCalibration:
    """Return what the pod has room for: the terms count as independent when they are read.

    The turn of the chip about +Y, a pitch that no result depends on, is left out of the one figure
    that the record has for the turn. A gyro that is not calibrated is kept as the data sheet has
    it. The nonlinearity is not kept; the data sheet's stands for it.
    """
    sigma = np.sqrt(np.diag(calibration.covariance))
    gyro = calibration.gyro
    if gyro is None:
        gyro_matrix = np.eye(3)
        gyro_u = np.sqrt(np.diag(GyroPrior.data_sheet(gyro_sheet(parts.gyro)).covariance))
    else:
        gyro_matrix, gyro_u = gyro.matrix, np.sqrt(np.diag(gyro.covariance))
    x_deg, _, z_deg = turn_u_deg(calibration)
    moment = moment_of(calibration.date) or datetime.fromtimestamp(0, UTC)
    return StoredCalibration(
        accel_bias_g=_vector(calibration.bias_g),
        accel_matrix=_matrix(calibration.matrix),
        accel_bias_u_g=_vector(sigma[:3]),
        accel_matrix_u=_matrix(sigma[3:12].reshape(3, 3)),
        gyro_matrix=_matrix(gyro_matrix),
        gyro_matrix_u=_matrix(gyro_u[:9].reshape(3, 3)),
        temp_c=25.0 if calibration.temp_c is None else calibration.temp_c,
        date=max(0, int(moment.timestamp())),
        turn_u_deg=max(x_deg, z_deg),
    )


def write_calibration(
    hello: Hello, kept: StoredCalibration, identity: str, new_identity: Callable[[], bytes]
) -> Generator[Request, Reply, SettingsRecord]:
    """Write a calibration into the pod's settings, and read it back; all else stays.

    Yields
    ------
    Request
        To be sent; the reply is sent back into the generator.

    Raises
    ------
    PodError
        If the pod is another one, its settings are damaged, or they read back otherwise.
    KnuckleError
        If the pod does not answer.
    """
    data = yield from read_settings()
    if isinstance(data, KnuckleError):
        raise data
    record = SettingsRecord() if is_blank(data) else SettingsRecord.from_bytes(data)
    if record.identity == NO_IDENTITY:
        own = hello.identity if hello.identity != NO_IDENTITY else new_identity()
        record = dataclasses.replace(record, identity=own)
    if identity and record.identity.hex() != identity:
        raise PodError(
            f"This is pod {record.identity.hex()}, the calibration is of {identity}.",
            "Another pod was connected in between.",
            "Connect the pod that was calibrated.",
        )
    wanted = dataclasses.replace(record, calibration=kept)
    yield from written_and_read_back(wanted)
    return wanted


def _vector(values: FloatArray) -> Vector:
    return cast(Vector, tuple(float(v) for v in values))


def _matrix(values: FloatArray) -> Matrix:
    return cast(Matrix, tuple(_vector(row) for row in values))
