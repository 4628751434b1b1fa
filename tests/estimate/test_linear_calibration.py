"""A linear channel's calibration: lengths, shared and own uncertainty, its JSON."""

from __future__ import annotations

import json

import GTC
import numpy as np
import pytest

from knuckle.estimate.linear import LinearCalibration

MADE = LinearCalibration(
    channel=1,
    gain=1.02,
    offset_mm=150.0,
    covariance=np.array([[4e-6, -1e-4], [-1e-4, 1e-2]]),
    scatter_mm=0.05,
    count=5,
    valid_mm=(0.0, 100.0),
    identity="0123456789abcdef",
    date="2026-01-01T12:00:00+00:00",
)


def test_a_length_and_a_difference_against_gtc() -> None:
    """Oracle: the GTC package propagates the same line with correlated gain and offset."""
    lengths = MADE.length(np.array([20.0, 60.0]), np.array([0.01, 0.02]))
    gain, offset = GTC.multiple_ureal([1.02, 150.0], [2e-3, 0.1], float("inf"))
    GTC.set_correlation(-1e-4 / (2e-3 * 0.1), gain, offset)
    first = gain * GTC.ureal(20.0, 0.01) + offset + GTC.ureal(0.0, 0.05)
    second = gain * GTC.ureal(60.0, 0.02) + offset + GTC.ureal(0.0, 0.05)
    assert lengths.length_mm == pytest.approx([first.x, second.x], rel=1e-12)
    assert lengths.u_mm == pytest.approx([first.u, second.u], rel=1e-9)
    apart = np.array([-1.0, 1.0])
    variance = apart @ lengths.covariance_mm2 @ apart
    assert variance == pytest.approx((second - first).v, rel=1e-9)


def test_range_of_validity_is_told() -> None:
    assert MADE.length(np.array([-0.1, 0.0, 100.0, 100.1])).in_range.tolist() == [
        False,
        True,
        True,
        False,
    ]


def test_json_gives_the_same_figures_back() -> None:
    again = LinearCalibration.from_json(json.loads(json.dumps(MADE.to_json())))
    assert again.to_json() == MADE.to_json()
    assert again.degrees_of_freedom == 3


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"format": "other"}, "format"),
        ({"version": 2}, "version is 2"),
        ({"units": {"gain": "in"}}, "units"),
        ({"gain": 0.0}, "gain"),
        ({"channel": 0}, "channel"),
        ({"covariance": [[1.0, 2.0], [2.0, 1.0]]}, "positive"),
        ({"covariance": [[1.0]]}, "two by two"),
        ({"scatter": float("nan")}, "scatter"),
        ({"valid": 3}, "member"),
        ({"count": "many"}, "many"),
    ],
)
def test_what_is_no_calibration_is_said(change: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        LinearCalibration.from_json(MADE.to_json() | change)
