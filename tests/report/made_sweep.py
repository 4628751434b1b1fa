"""A sweep made by hand: exact geometry, seeded noise, known rests."""

from __future__ import annotations

import numpy as np

from knuckle.geometry.rotation import turned
from knuckle.geometry.steering import camber, heading_change, steering_axis, wheel_frame
from knuckle.model.block import Block
from knuckle.model.rest import Rest
from knuckle.model.result import (
    SWEPT,
    BudgetTerm,
    Notice,
    Outcome,
    PlacedRest,
    Position,
    Quantity,
    Result,
)
from knuckle.model.wheel import Wheel

RATE_HZ = 100.0
TRUTH_DEG = {Quantity.CAMBER: -1.0, Quantity.CASTER: 5.0, Quantity.SAI: 12.0}
STANDS = (0.0, 20.0, 0.0, -20.0, 0.0)
"""Turn about the steering axis at each rest, in deg, left positive."""


def made_block(wheel: Wheel = Wheel.LF, seed: int = 5, repeats: int = 1) -> Block:
    """Rests of 3 s at `STANDS`, 2 s of turning between them."""
    stands = STANDS * repeats
    turn_deg = np.concatenate(
        [
            part
            for number, stand in enumerate(stands)
            for part in (
                np.full(300, stand),
                np.linspace(stand, stands[(number + 1) % len(stands)], 200),
            )
        ]
    )[: 500 * len(stands) - 200]
    rng = np.random.default_rng(seed)
    count = turn_deg.size
    axis = steering_axis(np.radians(5.0), np.radians(12.0), wheel.side)
    lean = np.radians(-1.0)
    # Up as the turning pod sees it: the world turned back about the axis, then the lean.
    up = turned(np.array([0.0, 0.0, 1.0]), axis, -np.radians(turn_deg))
    up = turned(up, np.array([1.0, 0.0, 0.0]), np.array(lean))
    rate_dps = np.gradient(turn_deg) * RATE_HZ
    return Block(
        t_s=0.005 + np.arange(count) / RATE_HZ,
        accel_g=up + rng.normal(0.0, 0.003, (count, 3)),
        gyro_dps=rate_dps[:, None] * axis + rng.normal(0.0, 0.05, (count, 3)),
        temp_c=np.full(count, 21.5),
        linear_mm=rng.normal(10.0, 0.01, (count, 2)),
        lost_before=np.zeros(count, dtype=np.int64),
        stretch=np.zeros(count, dtype=np.int64),
        clipped=np.zeros(count, dtype=np.bool_),
        rate_hz=RATE_HZ,
    )


def made_outcome(wheel: Wheel = Wheel.LF, error_deg: float = 0.02) -> Outcome:
    """What a good analysis of it would say; the rests are off by seeded errors."""
    rng = np.random.default_rng(8)
    up = np.array([0.0, 0.0, 1.0])
    spin = np.array([0.0, np.cos(np.radians(-1.0)), -np.sin(np.radians(-1.0))])
    axis = steering_axis(np.radians(5.0), np.radians(12.0), wheel.side)
    rests = []
    for number, stand in enumerate(STANDS):
        spun = turned(spin, axis, np.array(np.radians(stand)))
        steer = float(
            np.degrees(heading_change(spun, wheel_frame(spin, up, wheel.side), wheel.side))
        )
        out = steer * wheel.side > 0
        position = Position.STRAIGHT if stand == 0.0 else Position.OUT if out else Position.IN
        rests.append(
            PlacedRest(
                position,
                5.0 * number + 0.005,
                5.0 * number + 2.995,
                float(np.degrees(camber(up, spun))) + error_deg * rng.normal(),
                0.06,
                steer,
            )
        )
    return Outcome(
        measure="sweep",
        wheel=wheel.value,
        results={
            quantity: Result(
                quantity,
                TRUTH_DEG[quantity],
                expanded,
                1.96,
                "deg",
                (
                    BudgetTerm("mount: spin axis against the pod", "mount", 0.8 * expanded / 1.96),
                    BudgetTerm("noise of the readings", "noise", 0.6 * expanded / 1.96, 55.0),
                ),
                "relative to gravity, as swept, on its springs",
            )
            for quantity, expanded in zip(SWEPT, (0.081, 0.31, 0.42), strict=True)
        },
        rests=tuple(rests),
        warnings=(Notice("GYRO_UNCALIBRATED", "The gyro's scale is from its data sheet."),),
        details={
            "steer_left_deg": 19.5,
            "steer_right_deg": -19.6,
            "chi_squared": 3.2,
            "degrees_of_freedom": 4.0,
            "fit_probability": 0.52,
            "two_reading_caster_deg": 4.93,
            "hysteresis_camber_deg": float("nan"),
        },
    )


def made_rests(block: Block, outcome: Outcome) -> list[Rest]:
    """The rests of the made sweep as a detector would give them."""
    rests = []
    for placed in outcome.rests:
        first, end = np.searchsorted(block.t_s, [placed.start_s - 1e-9, placed.end_s + 1e-9])
        accel_g = block.accel_g[first:end]
        rests.append(
            Rest(
                start_s=placed.start_s,
                end_s=placed.end_s,
                first=int(first),
                end=int(end),
                stretch=0,
                count=len(accel_g),
                effective_count=np.full(3, float(len(accel_g))),
                accel_g=accel_g.mean(axis=0),
                accel_cov_g2=np.cov(accel_g.T) / len(accel_g),
                gyro_dps=None,
                gyro_cov_dps2=None,
                temp_c=None,
                linear_mm=None,
                linear_cov_mm2=None,
                clipped=False,
                knocks=0,
                ended=True,
            )
        )
    return rests


def refused(outcome: Outcome) -> Outcome:
    return Outcome(
        outcome.measure,
        outcome.wheel,
        {},
        outcome.rests,
        refused=Notice("SWEEP_TOO_SMALL", "The wheel turned by 6 deg only."),
    )
