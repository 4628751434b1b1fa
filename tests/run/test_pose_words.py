"""Poses in words: +Y out of the front, +Z up on the wheel, X = Y x Z."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.run.pose_words import axes_words, pose_words


@pytest.mark.parametrize(
    ("up", "words", "axes"),
    [
        ((0, 0, 1), "hold it upright, as on the wheel", "+Z up"),
        ((0, 0, -2), "hold it upside down", "-Z up"),
        ((0, 1, 0.2), "lay it on its mounting face", "+Y up"),
        ((0, -1, 0), "lay it on its front", "-Y up"),
        # Seen from the front +X is at the left: with it up the pod stands on its right edge.
        ((1, 0, 0), "stand it on its right edge", "+X up"),
        ((-1, 0, 0), "stand it on its left edge", "-X up"),
        ((1, 0, -1), "tip it onto the right top edge", "+X and -Z up"),
        ((-1, 1, 1), "tip it onto the left back bottom corner", "-X, +Y and +Z up"),
    ],
)
def test_what_points_up_is_said_in_words(
    up: tuple[float, float, float], words: str, axes: str
) -> None:
    assert pose_words(np.array(up, dtype=float)) == words
    assert axes_words(np.array(up, dtype=float)) == axes
