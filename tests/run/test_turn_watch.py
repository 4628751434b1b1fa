"""A full turn on a surface: how far it has come, when it stands, when it is too slow to tell."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.calibrate.arrays import block_of_arrays
from knuckle.calibrate.pose import Pose
from knuckle.model.block import Block
from knuckle.run.turn_watch import TurnWatch

BIAS_DPS = np.array([-4.0, 3.0, -10.0])
UP = np.array([0.0, 0.0, 1.0])


def turning(rate_dps: np.ndarray) -> Block:
    gyro = BIAS_DPS + rate_dps[:, None] * UP
    t_s = np.arange(1, rate_dps.size + 1) * 0.01
    return block_of_arrays(t_s, np.tile(UP, (rate_dps.size, 1)), gyro=gyro)


def watching() -> TurnWatch:
    watch = TurnWatch()
    watch.begin(Pose(UP, np.eye(3) * 1e-8, 0.0, BIAS_DPS, None, -2.0, 0.0))
    return watch


def pushed(watch: TurnWatch, block: Block) -> None:
    for at in range(0, len(block), 7):
        watch.push(block.part(at, min(at + 7, len(block))))


def test_a_turn_stands_only_when_its_slow_end_is_over() -> None:
    watch = watching()
    slows = np.concatenate([np.full(900, 40.0), np.linspace(6.0, 0.0, 400)])
    pushed(watch, turning(slows))
    assert watch.turned_deg == pytest.approx(372.0, abs=1.0)
    assert not watch.stands
    still = turning(np.concatenate([slows, np.zeros(250)])).part(slows.size, slows.size + 250)
    pushed(watch, still)
    assert watch.stands


def test_a_turn_that_creeps_is_noticed() -> None:
    watch = watching()
    pushed(watch, turning(np.full(1000, 6.0)))
    assert not watch.crept
    more = turning(np.full(1700, 6.0)).part(1000, 1700)
    pushed(watch, more)
    assert watch.crept
    watch.stop()
    assert not watch.crept and not watch.stands
