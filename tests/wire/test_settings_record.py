"""The settings record against its vectors, and what it says when it cannot be read."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knuckle.errors import PodError
from knuckle.wire.crc import crc16
from knuckle.wire.settings import RECORD_LENGTH, SettingsRecord, StoredCalibration, is_blank
from vectors.wire_vectors import VECTORS, name_of, record_of

RECORD = record_of(VECTORS["settings"][1])


def checked(record: bytearray) -> bytes:
    record[254:] = crc16(record[:254]).to_bytes(2, "big")
    return bytes(record)


@pytest.mark.parametrize("vector", VECTORS["settings"], ids=name_of)
def test_vectors_both_ways(vector):
    data = bytes.fromhex(vector["record"])
    assert len(data) == RECORD_LENGTH == 256
    assert SettingsRecord.from_bytes(data) == record_of(vector)
    assert record_of(vector).to_bytes() == data


def test_fields_stand_where_the_protocol_says():
    data, calibration = RECORD.to_bytes(), RECORD.calibration
    assert data[:4] == b"KS\1\1"
    assert data[4:6] == (256).to_bytes(2, "little")
    assert data[6:14] == RECORD.identity
    assert data[14:38].rstrip(b"\0").decode() == RECORD.name
    assert int.from_bytes(data[38:42], "little") == RECORD.baud
    at = {
        44: calibration.accel_bias_g[0],
        56: calibration.accel_matrix[0][0],
        60: calibration.accel_matrix[0][1],
        68: calibration.accel_matrix[1][0],
        92: calibration.accel_bias_u_g[0],
        104: calibration.accel_matrix_u[0][0],
        140: calibration.gyro_matrix[0][0],
        172: calibration.gyro_matrix[2][2],
        176: calibration.gyro_matrix_u[0][0],
        212: calibration.temp_c,
        220: calibration.turn_u_deg,
    }
    for offset, value in at.items():
        assert struct.unpack_from("<f", data, offset) == (value,)
    assert struct.unpack_from("<I", data, 216) == (calibration.date,)
    assert crc16(data) == 0


f32 = st.floats(width=32, allow_nan=False, allow_infinity=False)
vector = st.tuples(f32, f32, f32)
matrix = st.tuples(vector, vector, vector)


@given(
    st.binary(min_size=8, max_size=8),
    st.text(st.characters(codec="ascii", exclude_characters="\0"), max_size=24),
    st.integers(0, 2**32 - 1),
    st.none()
    | st.builds(
        StoredCalibration,
        vector,
        matrix,
        vector,
        matrix,
        matrix,
        matrix,
        f32,
        st.integers(0, 2**32 - 1),
        f32,
    ),
)
def test_any_record_survives(identity, name, baud, calibration):
    record = SettingsRecord(identity, name, baud, calibration)
    assert SettingsRecord.from_bytes(record.to_bytes()) == record


@given(st.binary(max_size=300))
def test_junk_is_a_pod_error(data):
    with pytest.raises(PodError):
        SettingsRecord.from_bytes(data)


def test_every_flipped_bit_is_noticed():
    data = RECORD.to_bytes()
    for bit in range(8 * len(data)):
        broken = bytearray(data)
        broken[bit // 8] ^= 1 << bit % 8
        with pytest.raises(PodError):
            SettingsRecord.from_bytes(bytes(broken))


@pytest.mark.parametrize("length", [0, 1, 43, 44, 254, 255])
def test_cut_short(length):
    with pytest.raises(PodError):
        SettingsRecord.from_bytes(RECORD.to_bytes()[:length])


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\xff" * 256, "blank"),
        (bytes(256), "blank"),
        (b"XY" + RECORD.to_bytes()[2:], "not readable"),
        (RECORD.to_bytes()[:255] + b"\x55", "damaged"),
    ],
)
def test_what_is_wrong_is_said(data, words):
    with pytest.raises(PodError, match=words) as caught:
        SettingsRecord.from_bytes(data)
    assert caught.value.next_step


def test_a_newer_version_asks_for_an_update():
    newer = bytearray(RECORD.to_bytes())
    newer[2] = 2
    with pytest.raises(PodError, match="version 2"):
        SettingsRecord.from_bytes(checked(newer))


def test_nan_in_the_calibration_is_refused():
    record = bytearray(RECORD.to_bytes())
    record[56:60] = struct.pack("<f", float("nan"))
    with pytest.raises(PodError, match="no number"):
        SettingsRecord.from_bytes(checked(record))


@pytest.mark.parametrize(
    "record",
    [
        SettingsRecord(name="ü" * 13),
        SettingsRecord(name="a\0b"),
        SettingsRecord(identity=b"short"),
        SettingsRecord(baud=2**32),
        SettingsRecord(baud=-1),
    ],
)
def test_what_does_not_fit_is_refused(record):
    with pytest.raises(PodError):
        record.to_bytes()


def test_blank():
    assert is_blank(b"\xff" * 64)
    assert not is_blank(RECORD.to_bytes())
