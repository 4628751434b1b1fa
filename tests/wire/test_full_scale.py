"""Where an accelerometer's range ends."""

import numpy as np
import pytest

from knuckle.wire.fullscale import flat_top, is_range_fact, range_g, stated_range_g


@pytest.mark.parametrize(
    ("text", "value"), [("2", 2.0), ("2.0 g", 2.0), ("+-4", 4.0), ("±8g", 8.0), (" 16 G ", 16.0)]
)
def test_ranges_as_people_write_them(text, value):
    assert range_g(text) == value


@pytest.mark.parametrize("text", ["", "two", "-2", "0", "2 mg", "nan"])
def test_what_is_no_range(text):
    assert range_g(text) is None


@pytest.mark.parametrize(
    "key", ["accelerometer_range_g", "Accelerometer range", "accel-range-g", "acc_range"]
)
def test_names_of_the_fact(key):
    assert is_range_fact(key)
    assert stated_range_g({"id": "x", key: "2"}) == 2.0
    assert not is_range_fact("gyro_range_dps")


def test_a_cut_off_axis_has_a_flat_top():
    rng = np.random.default_rng(1)
    accel = np.round(rng.normal([0.0, 0.1, 1.0], 0.004, (2000, 3)) * 16384) / 16384
    assert not flat_top(accel).any()
    cut = np.minimum(accel, 1.001)
    assert flat_top(cut).sum() == np.count_nonzero(accel[:, 2] >= 1.001)
    assert flat_top(-cut).sum() == flat_top(cut).sum()


@pytest.mark.parametrize("decimals", [1, 2, 3, 4])
def test_coarse_digits_are_no_flat_top(decimals):
    rng = np.random.default_rng(2)
    accel = np.round(rng.normal([0.0, 0.1, 1.0], 0.004, (5000, 3)), decimals)
    assert not flat_top(accel).any()


def test_a_log_without_noise_is_no_flat_top():
    assert not flat_top(np.tile([0.0, 0.1, 1.0], (500, 1))).any()
    steps = np.repeat([[0.0, 0.1, 0.99], [0.05, 0.12, 0.98], [0.0, 0.1, 0.99]], 300, axis=0)
    assert not flat_top(steps).any()
    moves = np.linspace(0.0, 0.07, 200)[:, None] * [1.0, 0.3, -0.1] + steps[0]
    assert not flat_top(np.vstack([steps[:300], moves, np.repeat(moves[-1:], 300, 0)])).any()


def test_a_stuck_axis_beside_noisy_ones_counts_as_clipped():
    accel = np.random.default_rng(3).normal([0.0, 0.1, 1.0], 0.004, (500, 3))
    accel[:, 1] = 0.25
    assert flat_top(accel).all()
