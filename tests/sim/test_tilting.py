"""The person with the protractor: the plate's angle is what a flawless pod reads."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.geometry.steering import camber
from knuckle.sim.rig import Rig
from knuckle.sim.scenario import load
from knuckle.sim.tilting import Tilter

PLAIN = {
    "tilting.seat_sigma_deg": 0.0,
    "tilting.zero_sigma_deg": 0.0,
    "tilting.scale_sigma": 0.0,
    "tilting.reading_sigma_deg": 0.0,
    "tilting.resolution_deg": 0.0,
}


def person(**changes: object) -> Tilter:
    rig = Rig(load("protractor", **{**PLAIN, **changes}), 3)
    assert isinstance(rig.person, Tilter)
    return rig.person


def read_deg(tilter: Tilter, at_s: float) -> float:
    up = tilter.motion(np.array([at_s])).up[0]
    return float(np.degrees(camber(up, np.array([0.0, 1.0, 0.0]))))


def test_what_the_pod_reads_is_the_plates_angle() -> None:
    tilter = person(**{"tilting.angles_deg": "-6,2,2,2,9", "tilting.actions": "0,0,2,3,1"})
    tilter.plan_until(200.0)
    stood = tilter.stood()
    assert len(stood) == 5
    for from_s, until_s, angle in stood:
        for share in (0.1, 0.9):
            at_s = from_s + share * (until_s - from_s)
            assert read_deg(tilter, at_s) == pytest.approx(angle, abs=1e-9)
    assert stood[2][2] == stood[1][2]
    assert stood[3][2] == -stood[1][2]
    assert stood[4][2] < -8.0  # still turned: it is the plate that went to +9


def test_the_protractor_shows_the_plates_angle() -> None:
    tilter = person(**{"tilting.angles_deg": "4.4", "tilting.zero_deg": 0.25})
    (shown,) = tilter.typed()
    assert float(shown) == pytest.approx(tilter.stood()[0][2] + 0.25, abs=6e-4)
    assert tilter.typed() == (shown,)


def test_a_reading_is_first_mistyped_where_the_scenario_says_so() -> None:
    assert person(**{"tilting.typo_at": "1"}).typed()[0].startswith("1o")


def test_rates_are_those_of_the_turn() -> None:
    """Up turns in pod axes by the rate of the body: du/dt = u x w."""
    tilter = person(**{"tilting.angles_deg": "-6,5", "tilting.actions": "0,1"})
    tilter.plan_until(60.0)
    t = np.arange(0.5, 16.0, 0.001)
    motion = tilter.motion(t)
    slope = np.gradient(motion.up, t, axis=0)
    assert np.max(np.abs(slope - np.cross(motion.up, motion.rate_rad_s))) < 2e-3
