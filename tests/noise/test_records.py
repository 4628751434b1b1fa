"""Records that were disturbed: the good part is used, or the record refused; nothing invented."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from knuckle.estimate.data_sheets import Parts
from knuckle.model.block import Block
from knuckle.model.linear import LinearBlock
from knuckle.noise.analyse import PodNoise, analyse_noise
from knuckle.noise.rest_floor import rest_floor
from knuckle.noise.still_part import still_part
from knuckle.rests.detector import RestDetector
from knuckle.rests.noise_floor import KnownFloor
from knuckle.rests.settings import RestSettings
from noise.synthetic import RATE_HZ, block_of, still
from rests.driver_signal import random_plan, record
from rests.hand_signal import held
from rests.scoring import Score

MPU = Parts("mpu6050", "mpu6050")
Find = Callable[[str], Path]


def analysed(block: Block, parts: Parts = MPU) -> tuple[set[str], PodNoise]:
    outcome, noise = analyse_noise(block, None, parts)
    assert outcome.refused is None
    assert noise is not None
    return {warning.code for warning in outcome.warnings}, noise


def refused(block: Block) -> str:
    outcome, noise = analyse_noise(block, None, MPU)
    assert noise is None
    assert outcome.refused is not None
    return outcome.refused.code


def at_1_s(noise: PodNoise) -> np.ndarray:
    return np.array([channel.at_s[1.0] for channel in noise.channels])


@pytest.fixture(scope="module")
def quiet() -> Block:
    return still(120.0)


def test_an_undisturbed_record_is_used_whole(quiet: Block) -> None:
    codes, noise = analysed(quiet)
    assert codes <= {"NOISE_STILL_FALLING"}
    assert noise.used_s == pytest.approx(120.0)
    assert [channel.name for channel in noise.channels] == ["ax", "ay", "az", "gx", "gy", "gz"]
    assert {channel.verdict for channel in noise.channels} == {"as stated"}
    for channel in noise.channels:
        assert channel.figures is not None and channel.figures.white is not None
        truth = 400e-6 if channel.unit == "g" else 0.005
        assert channel.figures.white.value == pytest.approx(truth, rel=0.03)
        assert channel.step == pytest.approx(1 / 16384 if channel.unit == "g" else 1 / 131)


def test_the_real_mpu6050_record(outside_data: Find) -> None:
    with gzip.open(outside_data("mpu6050_static/static_7min.csv.gz"), "rt") as file:
        counts = np.loadtxt(file, delimiter=",", skiprows=5)
    block = block_of(counts[:, :3] / 16384.0, counts[:, 3:] / 131.0)
    codes, noise = analysed(block)
    assert codes == {"NOISE_ABOVE_SHEET", "NOISE_STILL_FALLING"}
    assert noise.used_s == pytest.approx(len(counts) / 100.0)
    unit = np.array([16384.0] * 3 + [131.0] * 3)
    scatter = np.array([channel.scatter for channel in noise.channels]) * unit
    assert scatter == pytest.approx([53.407, 49.359, 75.409, 9.775, 14.565, 12.256], rel=1e-4)
    found = at_1_s(noise) * unit
    assert found == pytest.approx([5.254, 5.007, 7.374, 0.987, 1.467, 1.209], rel=0.002)
    # Read at 100 Hz behind a low-pass of 260 Hz (DLPF 0): noise folds in from above half the rate.
    verdicts = [channel.verdict for channel in noise.channels]
    assert verdicts[:3] != ["far above"] * 3
    assert set(verdicts[3:]) == {"above"}


def test_knocks_are_left_out(quiet: Block) -> None:
    accel = quiet.accel_g.copy()
    accel[3000:3010] += 0.05
    accel[7000:7003, 1] += 0.2
    accel[9001:9006, 2] -= 0.1
    codes, noise = analysed(replace(quiet, accel_g=accel))
    assert "NOISE_KNOCKS" in codes
    assert 115.0 < noise.used_s < 119.0
    _, whole = analysed(quiet)
    assert at_1_s(noise) == pytest.approx(at_1_s(whole), rel=0.05)


def test_a_pod_that_was_moved_is_used_in_pieces(quiet: Block) -> None:
    """Tilted by 1.1 deg at 50 s: no mean reaches across, or the step would swamp all."""
    accel = quiet.accel_g.copy()
    gyro = np.array(quiet.gyro_dps)
    accel[5000:, 0] += 0.02
    gyro[4980:5020] += 3.0
    codes, noise = analysed(replace(quiet, accel_g=accel, gyro_dps=gyro))
    assert "NOISE_MOVED" in codes
    assert 117.0 < noise.used_s < 119.9
    _, whole = analysed(quiet)
    assert at_1_s(noise) == pytest.approx(at_1_s(whole), rel=0.05)


def test_a_pod_in_the_hand_is_refused() -> None:
    assert refused(held(60.0, 0.4, 0.15)) == "NOISE_NOT_STILL"


def test_a_record_that_is_too_short_is_refused() -> None:
    assert refused(still(6.0)) == "NOISE_RECORD_SHORT"
    outcome, noise = analyse_noise(None, None, MPU)
    assert noise is None
    assert outcome.refused is not None and outcome.refused.code == "NOISE_RECORD_SHORT"


def test_a_clipped_axis_is_refused(quiet: Block) -> None:
    assert refused(replace(quiet, clipped=np.ones(len(quiet), dtype=np.bool_))) == "NOISE_CLIPPED"


def test_warming_up_is_left_out(quiet: Block) -> None:
    warm = 24.0 + 4.0 * (1.0 - np.exp(-quiet.t_s / 25.0))
    codes, noise = analysed(replace(quiet, temp_c=warm))
    assert "NOISE_TEMPERATURE" in codes
    # 1 C is left of 4 from 25 s x ln 4 = 35 s on.
    assert 78.0 < noise.used_s < 92.0
    assert noise.temp_c == pytest.approx(27.7, abs=0.3)
    codes, noise = analysed(replace(quiet, temp_c=np.full(len(quiet), 21.5)))
    assert "NOISE_TEMPERATURE" not in codes
    assert noise.temp_c == pytest.approx(21.5)


def test_lost_samples_leave_holes(quiet: Block) -> None:
    rng = np.random.default_rng(3)
    there = np.flatnonzero(rng.random(len(quiet)) > 0.02)
    lost = np.diff(there, prepend=-1) - 1
    holed = replace(
        quiet.part(0, len(there)),
        t_s=quiet.t_s[there],
        accel_g=quiet.accel_g[there],
        gyro_dps=np.array(quiet.gyro_dps)[there],
        lost_before=lost,
    )
    codes, noise = analysed(holed)
    assert "NOISE_SAMPLES_LOST" in codes
    assert noise.used_s == pytest.approx(len(there) / RATE_HZ)
    _, whole = analysed(quiet)
    assert at_1_s(noise) == pytest.approx(at_1_s(whole), rel=0.05)


def test_a_restart_breaks_the_record(quiet: Block) -> None:
    stretch = (np.arange(len(quiet)) >= 6000).astype(np.int64)
    codes, noise = analysed(replace(quiet, stretch=stretch))
    assert "NOISE_RECORD_BROKEN" in codes
    assert noise.used_s == pytest.approx(120.0, abs=0.2)
    assert noise.channels[0].curve.tau_s[-1] < 16.0
    _, whole = analysed(quiet)
    assert whole.channels[0].curve.tau_s[-1] > 16.0


def test_a_part_without_data_sheet_is_not_compared(quiet: Block) -> None:
    _, noise = analysed(quiet, Parts("", ""))
    assert {channel.verdict for channel in noise.channels} == {"not compared"}


def test_linear_channels_alone() -> None:
    rng = np.random.default_rng(6)
    n = 6000
    lengths = np.stack([np.full(n, 31.25), 20.0 + 0.02 * rng.standard_normal(n)], axis=1)
    nothing = np.zeros(n, dtype=np.int64)
    linear = LinearBlock(np.arange(n) / 100.0, lengths, nothing, nothing, 100.0)
    outcome, noise = analyse_noise(None, linear, Parts(), [0.01, 0.0])
    assert noise is not None
    assert [channel.verdict for channel in noise.channels] == ["hidden", "not compared"]
    assert "NOISE_HIDDEN" in {warning.code for warning in outcome.warnings}
    figures = noise.channels[1].figures
    assert figures is not None and figures.white is not None
    assert figures.white.value == pytest.approx(0.02 * np.sqrt(2.0 / 100.0), rel=0.05)


# ---- where the detector of rests starts


def floor_of(block: Block) -> KnownFloor:
    found = rest_floor(block, still_part(block).good, RestSettings())
    assert found is not None
    return found


def test_the_floor_is_that_of_the_noise(quiet: Block) -> None:
    floor = floor_of(quiet)
    # Three axes of one-sided density D: D^2 rate/2 a sample, a tenth of it for means of ten.
    sample = 3 * (400e-6) ** 2 * RATE_HZ / 2.0
    assert floor.accel.inner == pytest.approx(sample, rel=0.05)
    assert floor.accel.between == pytest.approx(sample / 10.0, rel=0.05)
    assert floor.accel.swing == pytest.approx(sample * 2.0 / 5.0, rel=0.05)
    assert KnownFloor.from_json(floor.to_json()) == floor
    assert floor.fits(100.0, 10, True)
    assert not floor.fits(200.0, 20, True)
    assert not floor.fits(100.0, 10, False)
    with pytest.raises(ValueError, match="no noise of a pod"):
        KnownFloor.from_json({"rate_hz": 100.0})


def test_a_detector_that_knows_its_floor_is_not_taken_in_by_a_hand() -> None:
    """A hand from the first sample on: nothing quieter was seen in this recording."""
    floor = floor_of(still(60.0))
    fooled = {True: 0, False: 0}
    for seed in range(30):
        block = held(8.0, 0.01, 0.02, seed=seed)
        for knows in (True, False):
            detector = RestDetector(100.0, True, known=floor if knows else None)
            detector.push(block)
            detector.finish()
            fooled[knows] += len(detector.rests())
    assert fooled[True] == 0
    assert fooled[False] > 0


@pytest.mark.parametrize(
    "fixed",
    [
        {},
        # The engine runs: the car hums more than the floor on which the noise was measured.
        {"vibration_g": 0.02, "vibration_dps": 0.2, "vibration_hz": 27.0, "slips": ()},
        {"vibration_g": 0.01, "vibration_dps": 0.05, "vibration_hz": 41.0, "slips": ()},
        {"noise": 3.0, "slips": ()},
        {"noise": 0.3, "slips": ()},
    ],
    ids=str,
)
def test_sweeps_are_found_as_well_with_a_known_floor(fixed: dict[str, Any]) -> None:
    floor = floor_of(still(60.0))
    score = Score()
    for seed in range(5000, 5015):
        plan = random_plan(seed, **{"noise": 1.0, "rate_hz": 100.0, **fixed})
        block, truths = record(plan)
        score.take(f"seed {seed}", block, truths, plan.knocks_s, known=floor)
    assert score.wanted > 50
    assert score.missed == []
    assert score.invented == []
    assert score.split == []
    assert np.percentile(score.delays_s, 95) <= 1.5


def test_a_floor_of_other_samples_is_not_used() -> None:
    other = floor_of(still(30.0))
    block = still(10.0, seed=4)
    plain = RestDetector(100.0, True)
    told = RestDetector(100.0, True, known=replace(other, rate_hz=50.0))
    for detector in (plain, told):
        detector.push(block)
        detector.finish()
    assert np.array_equal(plain.rests()[0].accel_g, told.rests()[0].accel_g)
