"""Smooth moves: their derivatives are those of their values."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.sim.moves import Submove, Track, Tremor

_T = np.arange(0.0, 12.0, 5e-4)


@pytest.mark.parametrize("kind", ["reach", "settle", "creep"])
def test_derivatives(kind: str) -> None:
    track = Track(1.0, [Submove(kind, 2.0, 0.4 if kind == "settle" else 2.5, 3.0)])
    motion = track.at(_T)
    rate = np.gradient(motion.value, _T)
    assert motion.rate[1:-1] == pytest.approx(rate[1:-1], abs=2e-3)
    smooth = np.ones(_T.size, bool)
    if kind == "creep":  # the acceleration of a creep steps
        for step in (2.0, 2.2, 4.3, 4.5):
            smooth &= np.abs(_T - step) > 1e-3
    change = np.gradient(motion.rate, _T)
    assert motion.acceleration[smooth][1:-1] == pytest.approx(change[smooth][1:-1], abs=0.05)
    assert motion.value[0] == 1.0
    assert motion.value[-1] == pytest.approx(track.final(), abs=1e-7)


def test_minimum_jerk_peak_speed() -> None:
    # Flash and Hogan 1985: the peak speed of a reach is 1.875 times its mean.
    motion = Track(0.0, [Submove("reach", 1.0, 2.0, 20.0)]).at(_T)
    assert motion.rate.max() == pytest.approx(1.875 * 20.0 / 2.0, rel=1e-6)


def test_pieces_equal_the_whole() -> None:
    moves = [Submove("reach", 1.0, 1.5, 4.0), Submove("settle", 2.2, 0.3, -0.5)]
    moves.append(Submove("creep", 5.0, 3.0, 0.2))
    track = Track(0.0, moves)
    whole = track.at(_T).value
    pieces = np.concatenate([track.at(piece).value for piece in np.array_split(_T, 37)])
    assert np.array_equal(whole, pieces)


def test_forgetting_keeps_what_comes() -> None:
    moves = [Submove("reach", 1.0, 1.5, 4.0), Submove("reach", 4.0, 2.0, -1.0)]
    track = Track(0.5, list(moves))
    late = _T[_T > 3.0]
    before = track.at(late).value
    track.forget(3.0)
    assert len(track.submoves) == 1
    assert track.at(late).value == pytest.approx(before, abs=1e-12)


def test_tremor_has_its_rms_and_derivatives() -> None:
    tremor = Tremor.draw(np.random.default_rng(5), 0.3, 1.0, 4.0)
    t = np.arange(0.0, 200.0, 0.002)
    motion = tremor.at(t)
    assert motion.value.std() == pytest.approx(0.3, rel=0.05)
    assert motion.rate[1:-1] == pytest.approx(np.gradient(motion.value, t)[1:-1], abs=5e-3)
    speed = np.gradient(motion.rate, t)
    assert motion.acceleration[1:-1] == pytest.approx(speed[1:-1], abs=0.2)
