"""The options of a linear sensor in a sweep: read, refused, and passed on."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from analysis.linkage_on_paper import Linkage, lengths
from analysis.wheel_on_paper import Wheel as PaperWheel
from analysis.wheel_on_paper import record, sweep_steer, write_csv
from knuckle.cli.app import run
from knuckle.cli.linear_steer import _OPTIONS, LinearChoice
from knuckle.errors import KnuckleError
from knuckle.estimate.linear import LinearCalibration
from knuckle.estimate.priors import Given
from knuckle.geometry.linkage import LinkageKind
from knuckle.model.wheel import Wheel

NEEDED = {"linear": "wire", "linear_lever": "370/4", "linear_longer": "left"}


def typed(**words: str) -> LinearChoice:
    return LinearChoice({row.name: words.get(row.name) for row in _OPTIONS})


@pytest.fixture
def calibration_file(tmp_path: Path) -> Path:
    made = LinearCalibration(1, 5.0, 200.0, np.diag([1e-4, 0.09]), 0.1, 5, (0.0, 100.0))
    path = tmp_path / "channel.json"
    path.write_text(json.dumps(made.to_json()), encoding="utf-8")
    return path


def test_nothing_typed_is_no_sensor() -> None:
    assert typed().on(Wheel.LF) is None


def test_lengths_in_mm_or_inches_with_or_without_uncertainty() -> None:
    steer = typed(**NEEDED | {"linear_distance": "17.5in", "linear_rise": "-12/3"}).on(Wheel.LF)
    assert steer is not None
    assert steer.kind is LinkageKind.WIRE
    assert steer.lever_mm == Given(370.0, 4.0)
    assert steer.reach_mm == Given(pytest.approx(444.5), 5.0)
    assert steer.rise_mm == Given(-12.0, 3.0)
    assert steer.angle_deg == Given(90.0, 2.0)
    assert not steer.uncalibrated


@pytest.mark.parametrize(
    ("wheel", "side", "left"),
    [
        (Wheel.LF, "left", True),
        (Wheel.RF, "left", True),
        (Wheel.LF, "out", True),
        (Wheel.RF, "out", False),
        (Wheel.LF, "in", False),
        (Wheel.RF, "in", True),
        (Wheel.RF, "right", False),
    ],
)
def test_in_and_out_are_those_of_the_wheel(wheel: Wheel, side: str, left: bool) -> None:
    steer = typed(**NEEDED | {"linear_longer": side}).on(wheel)
    assert steer is not None and steer.longer_left is left


def test_a_rod_has_a_face_in_place_of_a_distance() -> None:
    words = NEEDED | {"linear": "rod", "linear_lever": "4.25in", "linear_face": "12/2"}
    steer = typed(**words).on(Wheel.LF)
    assert steer is not None and steer.kind is LinkageKind.ROD
    assert steer.reach_mm == Given(12.0, 2.0)
    assert typed(**NEEDED | {"linear": "rod"}).on(Wheel.LF).reach_mm == Given(0.0, 5.0)


def test_scale_or_curve_say_that_there_is_no_calibration() -> None:
    words = NEEDED | {"linear_distance": "450", "linear_scale": "0.5%", "linear_curve": "0.1"}
    steer = typed(**words).on(Wheel.LF)
    assert steer is not None and steer.uncalibrated
    assert (steer.gain_percent, steer.curve_mm) == (0.5, 0.1)


def test_the_channel_is_that_of_the_calibration(calibration_file: Path) -> None:
    words = NEEDED | {"linear_calibration": str(calibration_file)}
    steer = typed(**words).on(Wheel.LF)
    assert steer is not None and steer.channel == 1
    with pytest.raises(KnuckleError, match="channel 1, not of 2"):
        typed(**words | {"linear_channel": "2"}).on(Wheel.LF)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"linear_lever": "300"}, "--linear-lever says something of a linear sensor"),
        (NEEDED | {"linear": "rope"}, "wire or rod"),
        ({"linear": "wire", "linear_longer": "left"}, "needs --linear-lever"),
        ({"linear": "wire", "linear_lever": "300"}, "needs --linear-longer"),
        (NEEDED | {"linear_longer": "up"}, "left, right, in or out"),
        (NEEDED | {"linear_lever": "-3"}, "above 0"),
        (NEEDED | {"linear_lever": "300/-1"}, "cannot be negative"),
        (NEEDED | {"linear_lever": "300deg"}, "millimetres"),
        (NEEDED | {"linear_face": "3"}, "no meaning with --linear wire"),
        (NEEDED | {"linear": "rod", "linear_rise": "3"}, "no meaning with --linear rod"),
        (NEEDED | {"linear": "rod", "linear_distance": "3"}, "no meaning with --linear rod"),
        (NEEDED | {"linear_angle": "0.5"}, "between 1 and 179"),
        (NEEDED | {"linear_play": "-1"}, "cannot be negative"),
        (NEEDED | {"linear_channel": "0"}, "counts from 1"),
        (NEEDED | {"linear_channel": "1.5"}, "counts from 1"),
        (NEEDED | {"linear_scale": "1"}, "needs --linear-distance"),
        (NEEDED | {"linear_distance": "0"}, "above 0"),
        (NEEDED | {"linear_calibration": "/no/such/file"}, "cannot be read"),
    ],
)
def test_what_cannot_be_is_refused_in_words(words: dict[str, str], said: str) -> None:
    with pytest.raises(KnuckleError, match=said):
        typed(**words).on(Wheel.LF)


def test_a_calibration_and_a_stated_scale_contradict(calibration_file: Path) -> None:
    words = NEEDED | {"linear_calibration": str(calibration_file), "linear_scale": "1"}
    with pytest.raises(KnuckleError, match="contradict"):
        typed(**words).on(Wheel.LF)


def test_analyze_measures_a_log_by_length(
    tmp_path: Path, calibration_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rng = np.random.default_rng(4)
    wheel = PaperWheel("RF", has_gyro=False)
    steer, _ = sweep_steer(rng, (0, 20, 0, -20, 0))
    columns = record(wheel, steer, rng)
    linkage = Linkage(arm=15.0, longer_left=False)
    columns["linear_mm"] = (450.0 + lengths(wheel, steer, linkage) - 200.0) / 5.0
    log = tmp_path / "log.csv"
    write_csv(log, columns)
    words = ["analyze", str(log), "--measure", "sweep", "--wheel", "RF", "--json"]
    linear = ["--linear", "wire", "--linear-lever", "370/2", "--linear-longer", "out"]
    linear += ["--linear-arm", "15/5", "--linear-calibration", str(calibration_file)]
    assert "out" in linear, "on a right wheel left is in"
    assert run([*words, *linear]) == 0
    found = json.loads(capsys.readouterr().out)
    for name, truth in (("caster", 5.0), ("steering_axis_inclination", 12.0)):
        result = found["results"][name]
        assert abs(result["value"] - truth) < 1.3 * result["expanded_uncertainty"]
    sources = {term["source"] for term in result["budget"]}
    assert {"linear", "linear_calibration", "linear_geometry"} <= sources
    assert [w["code"] for w in found["warnings"]][:1] == ["NO_GYRO"]
    assert run([*words, "--linear-channel", "1"]) == 2
    assert "not used" in capsys.readouterr().err
