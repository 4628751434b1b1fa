"""The gyro between poses: where it says that gravity went, and how that hangs on its errors.

rate read = M rate + b + G u, with u "up" in pod axes; M (9), b (3) and G (9, the zero rate that
each axis of specific force adds) are unknown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from knuckle.calibrate.pose import Pose
from knuckle.calibrate.results import GyroTurns
from knuckle.estimate.sensor import chip_turn
from knuckle.geometry.rotation import chain, exponential, product
from knuckle.model.block import LONGEST_BRIDGED_GAP_S, Block, FloatArray

BIAS: Final = slice(0, 3)
GAIN: Final = slice(3, 12)
PER_G: Final = slice(12, 21)
GYRO_TERMS: Final = 21

LONGEST_S: Final = 20.0
"""A longer way from pose to pose tells more of the bias than of the scale ..."""
LONGEST_FULL_S: Final = 180.0
"""... but a full turn has rests of its own at both ends, where the bias is read."""


@dataclass(frozen=True)
class Landed:
    """Where a turn ends by the gyro.

    Attributes
    ----------
    up : ndarray, shape (3,)
        Where gravity's "up" should have landed.
    turn : ndarray, shape (3, 3)
        From the axes after to the axes before.
    slopes : ndarray, shape (3, 21)
        Of the small rotation, in the axes after, by b, M and G.
    along : float
        Angle turned about "up", rad, counted on beyond a full turn.
    """

    up: FloatArray
    turn: FloatArray
    slopes: FloatArray
    along: float


def turns_between(block: Block, poses: Sequence[Pose]) -> list[GyroTurns]:
    """Return the gyro's readings from the middle of each pose to the middle of the next.

    A way across a restart or a gap is left out: a missing turn is never invented.

    Parameters
    ----------
    block : Block
        Not corrected.
    poses : sequence of Pose
        In order of time.
    """
    found = []
    for before, after in pairwise(poses):
        turn = turn_between(block, before, after)
        if turn is not None:
            found.append(turn)
    return found


def turn_between(
    block: Block, before: Pose, after: Pose, longest_s: float = LONGEST_S
) -> GyroTurns | None:
    """Return the gyro's readings between two poses; None across a restart, a gap or too long."""
    if block.gyro_dps is None or before.stretch != after.stretch:
        return None
    inside = (block.stretch == before.stretch) & (block.t_s >= before.mid_s)
    inside &= block.t_s <= after.mid_s
    t_s, rate_dps = block.t_s[inside], block.gyro_dps[inside]
    if t_s.size < 2 or t_s[-1] - t_s[0] > longest_s:
        return None
    if float(np.max(np.diff(t_s))) > LONGEST_BRIDGED_GAP_S + 1.5 / block.rate_hz:
        return None
    return GyroTurns(before, after, t_s, rate_dps)


def landed(turn: GyroTurns, up: FloatArray, x: FloatArray) -> Landed:
    """Follow a turn with given errors of the gyro.

    Parameters
    ----------
    turn : GyroTurns
    up : ndarray, shape (3,)
        Unit length, before the turn.
    x : ndarray, shape (21,)
        b (deg/s), M and G.
    """
    step_s = np.diff(turn.t_s)[:, None]
    back = np.linalg.inv(x[GAIN].reshape(3, 3))
    middle = (turn.rate_dps[:-1] + turn.rate_dps[1:]) / 2.0 - x[BIAS]
    rate = middle @ back.T
    per_g = x[PER_G].reshape(3, 3)
    ups = np.broadcast_to(up, rate.shape)
    for _ in range(2):
        # What specific force adds needs the way, and the way needs that: once more is enough.
        rate = (middle - ups @ per_g.T) @ back.T
        ways = _running(exponential(np.radians(rate * step_s)))
        ups = _back(ways, up)
    whole = _matrix(ways[-1])
    # From each sample's axes to the axes after: inv(A(end)) A(sample), a small rotation's way.
    after = np.einsum("ij,njk->nik", whole.T, _matrices(ways))
    weight = np.radians(step_s)[:, :, None] * (after @ back)
    slopes = np.empty((3, GYRO_TERMS))
    slopes[:, BIAS] = -weight.sum(axis=0)
    slopes[:, GAIN] = -np.einsum("nij,nk->ijk", weight, rate).reshape(3, 9)
    slopes[:, PER_G] = -np.einsum("nij,nk->ijk", weight, ups).reshape(3, 9)
    along = float(np.sum(np.radians(rate * step_s) * ups))
    return Landed(whole.T @ up, whole, slopes, along)


def lands(turn: GyroTurns, up: FloatArray, bias_dps: FloatArray, matrix: FloatArray) -> FloatArray:
    """Return where "up" lands after a turn, shape (3,); as `landed`, without slopes."""
    step_s = np.diff(turn.t_s)[:, None]
    middle = (turn.rate_dps[:-1] + turn.rate_dps[1:]) / 2.0 - bias_dps
    rate = middle @ np.linalg.inv(matrix).T
    whole = _matrix(np.asarray(chain(exponential(np.radians(rate * step_s)))))
    return np.asarray(whole.T @ up)


def skewed(v: FloatArray) -> FloatArray:
    """Return [v]x, shape (3, 3)."""
    return np.asarray(chip_turn(v))


def _running(q: FloatArray) -> FloatArray:
    """Return the products q[0], q[0] q[1], ... of quaternions, shape (n, 4).

    A parallel prefix: Hillis & Steele, Data parallel algorithms, Commun. ACM 29 (1986) 1170.
    """
    found, shift = q, 1
    while shift < q.shape[0]:
        found = np.concatenate([found[:shift], product(found[:-shift], found[shift:])])
        shift *= 2
    return np.asarray(found)


def _matrices(q: FloatArray) -> FloatArray:
    skew = chip_turn(q[:, 1:])
    return np.asarray(np.eye(3) + 2.0 * q[:, :1, None] * skew + 2.0 * skew @ skew)


def _matrix(q: FloatArray) -> FloatArray:
    return np.asarray(_matrices(q[None, :])[0])


def _back(q: FloatArray, up: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("nji,j->ni", _matrices(q), up))
