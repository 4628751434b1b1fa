"""The settings record that a pod keeps: identity, name, baud rate, calibration."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from itertools import chain
from typing import Final

from knuckle.errors import PodError
from knuckle.wire.codec import IDENTITY_BYTES, LONGEST_NAME
from knuckle.wire.crc import crc16

Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]

RECORD_VERSION: Final = 1
RECORD_LENGTH: Final = 256
DEFAULT_BAUD: Final = 115200

_MAGIC = b"KS"
_HEAD = struct.Struct(f"<2sBBH{IDENTITY_BYTES}s{LONGEST_NAME}sIH")
_CALIBRATION = struct.Struct("<3f9f3f9f9f9ffIf")
_HAS_CALIBRATION = 1
_READ_AGAIN = "Read the settings once more; if it stays so, write them anew."


@dataclass(frozen=True, slots=True)
class StoredCalibration:
    """Calibration as the pod keeps it; float32 on the wire.

    Attributes
    ----------
    accel_bias_g : tuple of 3 float
        reading = matrix @ true + bias, in g.
    accel_matrix : tuple of 3 rows of 3 float
        Scale, cross-axis and the chip's turn in the case.
    accel_bias_u_g, accel_matrix_u : same shapes
        Standard uncertainty of each element.
    gyro_matrix, gyro_matrix_u : tuple of 3 rows of 3 float
        The same of the gyro; its bias is measured anew at every rest.
    temp_c : float
        Mean temperature during the calibration.
    date : int
        Seconds since 1970-01-01 UTC.
    turn_u_deg : float
        Standard uncertainty of the chip's turn in the case, in degrees.
    """

    accel_bias_g: Vector
    accel_matrix: Matrix
    accel_bias_u_g: Vector
    accel_matrix_u: Matrix
    gyro_matrix: Matrix
    gyro_matrix_u: Matrix
    temp_c: float
    date: int
    turn_u_deg: float


def _flat(matrix: Matrix) -> tuple[float, ...]:
    return tuple(chain.from_iterable(matrix))


def _vector(numbers: tuple[float, ...]) -> Vector:
    return (numbers[0], numbers[1], numbers[2])


def _matrix(numbers: tuple[float, ...]) -> Matrix:
    return (_vector(numbers[0:3]), _vector(numbers[3:6]), _vector(numbers[6:9]))


def _pack_calibration(calibration: StoredCalibration) -> bytes:
    return _CALIBRATION.pack(
        *calibration.accel_bias_g,
        *_flat(calibration.accel_matrix),
        *calibration.accel_bias_u_g,
        *_flat(calibration.accel_matrix_u),
        *_flat(calibration.gyro_matrix),
        *_flat(calibration.gyro_matrix_u),
        calibration.temp_c,
        calibration.date,
        calibration.turn_u_deg,
    )


def _unpack_calibration(data: bytes) -> StoredCalibration:
    numbers = _CALIBRATION.unpack_from(data, _HEAD.size)
    if not all(map(math.isfinite, numbers)):
        raise PodError(
            "The calibration in the pod's settings holds something that is no number.",
            "It was written by a faulty program.",
            "Calibrate the pod again.",
        )
    return StoredCalibration(
        accel_bias_g=_vector(numbers[0:3]),
        accel_matrix=_matrix(numbers[3:12]),
        accel_bias_u_g=_vector(numbers[12:15]),
        accel_matrix_u=_matrix(numbers[15:24]),
        gyro_matrix=_matrix(numbers[24:33]),
        gyro_matrix_u=_matrix(numbers[33:42]),
        temp_c=numbers[42],
        date=numbers[43],
        turn_u_deg=numbers[44],
    )


@dataclass(frozen=True, slots=True)
class SettingsRecord:
    """What the pod remembers without power.

    Attributes
    ----------
    identity : bytes
        Eight random bytes, written once by a host; all zero before.
    name : str
        At most 24 bytes of UTF-8, without NUL.
    baud : int
        Of the pod's serial line, from its next start on.
    calibration : StoredCalibration or None
        None until the pod was calibrated.
    """

    identity: bytes = bytes(IDENTITY_BYTES)
    name: str = ""
    baud: int = DEFAULT_BAUD
    calibration: StoredCalibration | None = None

    def to_bytes(self) -> bytes:
        """Return the record, `RECORD_LENGTH` bytes.

        Raises
        ------
        PodError
            If the name is too long or a number does not fit.
        """
        name = self.name.encode()
        if len(name) > LONGEST_NAME or "\0" in self.name:
            raise PodError(
                f"The pod cannot keep the name {self.name!r}.",
                f"It has room for {LONGEST_NAME} bytes.",
                "Choose a shorter name.",
            )
        if len(self.identity) != IDENTITY_BYTES:
            raise PodError(
                f"A pod's identity has {IDENTITY_BYTES} bytes, not {len(self.identity)}."
            )
        flags = 0 if self.calibration is None else _HAS_CALIBRATION
        try:
            head = _HEAD.pack(
                _MAGIC, RECORD_VERSION, flags, RECORD_LENGTH, self.identity, name, self.baud, 0
            )
            stored = b"" if self.calibration is None else _pack_calibration(self.calibration)
        except (struct.error, OverflowError) as error:
            raise PodError(f"A setting does not fit the pod's record: {error}.") from error
        record = (head + stored).ljust(RECORD_LENGTH - 2, b"\0")
        return record + crc16(record).to_bytes(2, "big")

    @classmethod
    def from_bytes(cls, data: bytes) -> SettingsRecord:
        """Read a record back.

        Raises
        ------
        PodError
            If it is blank, cut short, damaged, or from a newer version.
        """
        if is_blank(data):
            raise PodError(
                "The pod's settings are blank.",
                "The pod is new, or its memory was erased.",
                "Name the pod; that writes them.",
            )
        if len(data) < _HEAD.size or data[:2] != _MAGIC:
            raise PodError("The pod's settings are not readable.", "", _READ_AGAIN)
        _, version, flags, length, identity, name, baud, _ = _HEAD.unpack_from(data)
        if version > RECORD_VERSION:
            raise PodError(
                f"The pod's settings are of version {version}.",
                f"This program knows up to {RECORD_VERSION}.",
                "Update this program.",
            )
        if version != RECORD_VERSION or length != RECORD_LENGTH or len(data) < length:
            raise PodError("The pod's settings are cut short or damaged.", "", _READ_AGAIN)
        if crc16(data[:length]):
            raise PodError(
                "The pod's settings are damaged.",
                "Their checksum is wrong: a write was interrupted.",
                _READ_AGAIN,
            )
        return cls(
            identity=identity,
            name=name.rstrip(b"\0").decode("utf-8", errors="replace"),
            baud=baud,
            calibration=_unpack_calibration(data) if flags & _HAS_CALIBRATION else None,
        )


def is_blank(data: bytes) -> bool:
    """Return whether the record was never written: all 0xFF (erased memory) or all 0x00."""
    return data.count(0xFF) == len(data) or data.count(0) == len(data)
