"""Calibration files: version 1 as it was first written, and every way to be none."""

from __future__ import annotations

import copy
import dataclasses
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from knuckle.errors import RecordingError, StoreError, UsageError
from knuckle.run.calibration_json import read_file, read_made, to_json
from knuckle.run.calibration_trust import trust_notices
from knuckle.run.calibrations import Kept, check_same_pod, choose, of_run
from knuckle.store.recording import decode

SAMPLE = Path(__file__).parent / "calibration_v1.json"
"""Never to be changed: files like it are with users."""


@pytest.fixture
def content() -> Any:
    return json.loads(SAMPLE.read_text(encoding="utf-8"))


def written(folder: Path, content: Any) -> Path:
    path = folder / "calibration.json"
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return path


def test_the_first_version_is_read():
    calibration = read_file(SAMPLE)
    assert calibration.identity == "0001020304050607"
    assert calibration.date == "2026-02-03T04:05:06+00:00"
    assert calibration.temp_c == 21.5 and calibration.turn_deg == pytest.approx(0.05)
    assert list(calibration.bias_g) == [0.012, -0.034, 0.056]
    assert calibration.matrix[1, 2] == 0.004 and calibration.matrix[2, 1] == 0.003
    assert calibration.covariance[0, 3] == 2.5e-7
    assert calibration.gyro is not None
    assert calibration.gyro.matrix[0, 1] == 0.001 and calibration.gyro.covariance[8, 8] == 9e-6


def test_the_first_version_is_written_as_the_second_and_says_the_same(tmp_path: Path):
    first = read_file(SAMPLE)
    again = read_file(written(tmp_path, to_json(first)))
    assert again.degrees_of_freedom == first.degrees_of_freedom == np.inf
    for name in ("bias_g", "matrix", "covariance", "nonlinearity_per_g"):
        assert np.array_equal(getattr(again, name), getattr(first, name))
    assert (again.identity, again.date, again.temp_c) == (first.identity, first.date, 21.5)


def test_without_gyro_temperature_pod_and_date(tmp_path: Path, content: Any):
    content["gyro"] = None
    for name in ("temperature", "pod", "date"):
        del content[name]
    calibration = read_file(written(tmp_path, content))
    assert calibration.gyro is None and calibration.temp_c is None
    assert calibration.identity == "" and calibration.date == ""


def changed(content: Any, value: Any, *place: str | int) -> Any:
    content = copy.deepcopy(content)
    inside = content
    for step in place[:-1]:
        inside = inside[step]
    inside[place[-1]] = value
    return content


@pytest.mark.parametrize(
    ("value", "place", "told"),
    [
        ("another", ("format",), '"format"'),
        ("two", ("version",), "its version is 'two'"),
        (2, ("version",), "its units are"),
        ("mg", ("units", "bias"), "its units are"),
        (None, ("units",), "its units are None"),
        (None, ("accelerometer",), "missing or wrong"),
        ([0.0, 0.0], ("accelerometer", "bias"), "shape"),
        (float("nan"), ("accelerometer", "bias", 0), "finite"),
        ("much", ("accelerometer", "turn"), "missing or wrong"),
        ([[1, 0, 0], [1, 0, 0], [0, 0, 1]], ("accelerometer", "matrix"), "no accelerometer"),
        (1.0, ("accelerometer", "covariance", 0, 5), "symmetric"),
        (-1.0, ("accelerometer", "covariance", 2, 2), "positive"),
        ([1.0], ("gyro", "covariance"), "shape"),
        ({}, ("gyro",), "missing or wrong"),
    ],
)
def test_what_is_no_calibration_is_told(
    tmp_path: Path, content: Any, value: Any, place: tuple[str | int, ...], told: str
):
    path = written(tmp_path, changed(content, value, *place))
    with pytest.raises(RecordingError, match="is not a calibration file") as caught:
        read_file(path)
    assert told in caught.value.what and caught.value.next_step


@pytest.mark.parametrize("text", ["", "{", "[]", "1", '"knuckle calibration"', "[" * 100_000])
def test_what_is_no_object_is_told(tmp_path: Path, text: str):
    with pytest.raises(RecordingError, match="is not a calibration file"):
        read_file(written(tmp_path, text))


def test_bytes_that_are_no_text_are_told(tmp_path: Path):
    path = tmp_path / "calibration.json"
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(RecordingError, match="is not a calibration file"):
        read_file(path)


def test_a_missing_file_is_told(tmp_path: Path):
    with pytest.raises(RecordingError, match="cannot be read") as caught:
        read_file(tmp_path / "none.json")
    assert "--calibration" in caught.value.next_step


def test_another_pods_calibration_is_refused_where_both_are_known(content: Any, tmp_path: Path):
    calibration = read_file(SAMPLE)
    check_same_pod(calibration, "0001020304050607")
    check_same_pod(calibration, "")
    check_same_pod(read_file(written(tmp_path, changed(content, "", "pod"))), "ff")
    with pytest.raises(UsageError, match="of pod 0001020304050607") as caught:
        check_same_pod(calibration, "ffffffffffffffff")
    assert "this pod's" in caught.value.next_step


def test_a_damaged_calibration_in_the_store_is_told(content: Any):
    sound = {"calibration": {"source": "file", "record": content}}
    _, calibration = of_run(sound, decode([]))
    assert calibration is not None and np.array_equal(calibration.bias_g, [0.012, -0.034, 0.056])
    with pytest.raises(StoreError, match="kept with the run"):
        of_run({"calibration": {"source": "file", "record": {"pod": "x"}}}, decode([]))


SECOND = Path(__file__).parent / "calibration_v2.json"
"""Never to be changed: files like it are with users."""


def test_the_second_version_is_read_and_written_as_it_was_read():
    made = read_made(SECOND)
    kept = made.calibration
    content = json.loads(SECOND.read_text(encoding="utf-8"))
    assert kept.covariance.shape == (18, 18)
    assert kept.covariance[3, 17] == content["accelerometer"]["covariance"][3][17]
    assert kept.drift is not None and kept.drift.high_c - kept.drift.low_c > 15.0
    assert kept.gyro is not None and kept.gyro.in_accelerometer_axes
    assert made.face and made.poses == content["made_of"]["poses"]
    assert made.supported[:3] == ("bias_x", "bias_y", "bias_z") and made.unsupported == ()
    assert to_json(made) == content


@pytest.mark.parametrize(
    ("value", "place", "told"),
    [
        ("deg", ("units", "turn"), "its units are"),
        (["bias_x"], ("accelerometer", "terms"), "other terms"),
        (-2.0, ("accelerometer", "degrees_of_freedom"), "degrees of freedom"),
        ([0.0], ("drift", "bias"), "shape"),
        (-1.0, ("drift", "covariance", 0, 0), "positive"),
        ([5.0, 0.0, 0.0], ("accelerometer", "bias"), "no accelerometer"),
        ([[2.0, 0, 0], [0, 1, 0], [0, 0, 1]], ("accelerometer", "matrix"), "no accelerometer"),
    ],
)
def test_what_is_no_second_version_is_told(
    tmp_path: Path, value: Any, place: tuple[str | int, ...], told: str
):
    content = json.loads(SECOND.read_text(encoding="utf-8"))
    path = written(tmp_path, changed(content, value, *place))
    with pytest.raises(RecordingError, match="is not a calibration file") as caught:
        read_file(path)
    assert told in caught.value.what


def test_a_newer_programs_file_says_so(tmp_path: Path):
    content = json.loads(SECOND.read_text(encoding="utf-8"))
    with pytest.raises(RecordingError, match="version 3") as caught:
        read_file(written(tmp_path, {**content, "version": 3}))
    assert "newer program" in caught.value.cause


def test_members_that_a_later_program_adds_are_kept(tmp_path: Path):
    content = json.loads(SECOND.read_text(encoding="utf-8"))
    made = read_made(written(tmp_path, {**content, "operator": "me"}))
    assert to_json(made)["operator"] == "me"


def test_an_old_a_far_and_an_unknown_calibration_are_told():
    kept = read_made(SECOND).calibration
    same = {"identity": kept.identity, "temp_c": kept.temp_c}
    day = datetime(2026, 11, 26, tzinfo=UTC)

    def codes(calibration: Any = kept, **more: Any) -> list[str]:
        return [n.code for n in trust_notices(calibration, **{**same, "at": day, **more})]

    assert codes() == []
    assert codes(at=day + timedelta(days=400)) == ["CALIBRATION_OLD"]
    assert codes(at=None) == []
    assert codes(temp_c=60.0) == ["CALIBRATION_TEMPERATURE"]
    assert codes(temp_c=20.0) == []  # the drift was measured from 12 to 31 C
    assert codes(dataclasses.replace(kept, drift=None), temp_c=15.0) == ["CALIBRATION_TEMPERATURE"]
    assert codes(identity="", named=True) == ["CALIBRATION_POD_UNKNOWN"]
    loose = kept.covariance.copy()
    loose[12, 12] = np.radians(1.5) ** 2
    assert codes(dataclasses.replace(kept, covariance=loose)) == ["NO_FACE_RUN"]


def test_the_newer_of_store_and_pod_is_used_and_the_stores_of_two_alike():
    kept = read_made(SECOND)
    own = dataclasses.replace(kept.calibration, drift=None)

    def source(own_date: str | None) -> str:
        calibration = None if own_date is None else dataclasses.replace(own, date=own_date)
        found = choose(None, False, lambda _: Kept(7, kept), "ab", calibration)
        assert found.number == (7 if found.source == "store" else None)
        return found.source

    assert source(None) == "store"
    assert source(kept.calibration.date) == "store"
    assert source("2026-01-01T00:00:00+00:00") == "store"
    assert source("2027-01-01T00:00:00+00:00") == "pod"
    assert choose(None, True, lambda _: Kept(7, kept), "ab", own).source == "none"
