"""Calibration files of linear channels: version 1 stays readable; what is wrong is told."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from knuckle.errors import RecordingError, UsageError
from knuckle.run.linear_calibrations import chosen, newest, read_linear_file
from knuckle.store.database import Store

SAMPLE = Path(__file__).parents[1] / "flows" / "linear_calibration_v1.json"
POD = "77d3ce6b37253875"


def test_a_file_of_version_1_is_read() -> None:
    found = read_linear_file(SAMPLE)
    assert (found.channel, found.identity, found.count) == (1, POD, 5)
    assert found.degrees_of_freedom == 3
    lengths = found.length(np.array([51.699]))
    assert lengths.length_mm[0] == pytest.approx(50.0, abs=0.1)
    assert lengths.in_range[0]
    assert found.to_json() == json.loads(SAMPLE.read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"format": "other"}, "format"),
        ({"version": 2}, "version"),
        ({"units": {}}, "units"),
        ({"gain": None}, "missing or wrong"),
        ({"gain": 0.0}, "gain"),
        ({"channel": 0}, "channel"),
        ({"scatter": -1.0}, "scatter"),
        ({"covariance": [[1.0]]}, "covariance"),
        ({"covariance": [[1.0, 2.0], [2.0, 1.0]]}, "covariance"),
        ({"valid": [1.0]}, "is not a calibration file"),
    ],
)
def test_what_is_wrong_with_a_file_is_told(
    change: dict[str, Any], said: str, tmp_path: Path
) -> None:
    content = {**json.loads(SAMPLE.read_text(encoding="utf-8")), **change}
    file = tmp_path / "changed.json"
    file.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(RecordingError, match=said):
        read_linear_file(file)


@pytest.mark.parametrize("text", ["", "no json", "[1]", "null"])
def test_another_file_is_told(text: str, tmp_path: Path) -> None:
    file = tmp_path / "other.json"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(RecordingError, match="not a calibration file"):
        read_linear_file(file)
    with pytest.raises(RecordingError, match="cannot be read"):
        read_linear_file(tmp_path / "missing.json")


def test_the_newest_of_this_pod_and_channel_counts(tmp_path: Path) -> None:
    record = json.loads(SAMPLE.read_text(encoding="utf-8"))
    with Store(tmp_path / "runs.sqlite3") as store:
        store.add_calibration(POD, {**record, "gain": 1.1})
        store.add_calibration(POD, {**record, "gain": 1.2})
        store.add_calibration(POD, {**record, "channel": 2, "gain": 1.3})
        store.add_calibration("0011223344556677", {**record, "gain": 1.4})
        store.add_calibration(POD, {"format": "another kind"})
        store.add_calibration("", {**record, "pod": "", "gain": 1.5})
        kept = store.calibrations()
    found = newest(kept, POD, 1)
    assert found is not None
    assert found.gain == 1.2
    assert newest(kept, POD, 3) is None
    # A pod without identity has none of its own in the store.
    assert newest(kept, "", 1) is None


def test_only_a_caliper_serves_without_calibration() -> None:
    found, source = chosen(None, lambda _pod, _channel: None, POD, 1, "caliper 2")
    assert (source, found.count) == ("as sold", 0)
    for sensor in ("potentiometer", "unknown", ""):
        with pytest.raises(UsageError, match="not calibrated"):
            chosen(None, lambda _pod, _channel: None, POD, 1, sensor)


def test_a_named_file_must_be_of_this_pod_and_channel() -> None:
    given = read_linear_file(SAMPLE)
    assert chosen(given, lambda _pod, _channel: None, POD, 1, "") == (given, "file")
    assert chosen(given, lambda _pod, _channel: None, "", 1, "") == (given, "file")
    with pytest.raises(UsageError, match="of pod"):
        chosen(given, lambda _pod, _channel: None, "0011223344556677", 1, "")
    with pytest.raises(UsageError, match="channel 1, not of 2"):
        chosen(given, lambda _pod, _channel: None, POD, 2, "")
