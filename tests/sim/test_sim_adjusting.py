"""What adjusters of the simulated car do, beside a knuckle turned in space."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from knuckle.alignment.adjusters import by_geometry
from knuckle.model.car import CamberShim, CasterAdjuster, ShimPlace, Side, Thread, ToeLink
from knuckle.model.wheel import Wheel
from knuckle.sim.adjusting import AdjustableCar, TrueAdjusters, turned
from knuckle.sim.car import WheelTruth
from knuckle.sim.scenario import load

START = WheelTruth(caster_deg=5.0, sai_deg=12.0, camber_deg=-1.0, toe_deg=0.1)


def test_a_link_turns_the_arm_on_a_circle() -> None:
    # asin(10 * 1.5 / 120) = 7.1808 deg: plain trigonometry.
    after = turned(START, TrueAdjusters(), "toe link", 10.0)
    assert after.toe_deg == pytest.approx(0.1 + 7.18076, abs=1e-4)
    ahead = turned(START, TrueAdjusters(link_arm_mm=-120.0), "toe link", 10.0)
    assert ahead.toe_deg == pytest.approx(0.1 - 7.18076, abs=1e-4)
    assert replace(after, toe_deg=0.1) == START


@pytest.mark.parametrize("shim_mm", [-8.0, 3.0, 20.0])
def test_a_shim_tilts_the_knuckle_about_its_lower_joint(shim_mm: float) -> None:
    """Seen from the rear, left wheel: the upper joint's level place grows by the shim."""
    parts = TrueAdjusters(shim_lever_mm=240.0, link_above_mm=0.0)
    after = turned(START, parts, "camber shim", shim_mm)
    change = after.camber_deg - START.camber_deg
    # Y is outboard: the upper joint lies inboard of the lower one by tan(SAI).
    upper = np.array([0.0, -240.0 * math.tan(math.radians(12.0)), 240.0])
    moved = Rotation.from_euler("x", -change, degrees=True).apply(upper)
    assert moved[1] - upper[1] == pytest.approx(shim_mm, abs=1e-9)
    assert after.sai_deg == pytest.approx(START.sai_deg - change, abs=1e-12)
    assert after.toe_deg == START.toe_deg


def test_a_shim_moves_toe_where_the_link_lies_high() -> None:
    after = turned(START, TrueAdjusters(link_above_mm=60.0), "camber shim", 5.0)
    change = math.radians(after.camber_deg - START.camber_deg)
    shift = math.degrees(math.asin(60.0 * math.sin(change) / 120.0))
    assert after.toe_deg == pytest.approx(START.toe_deg - shift, abs=1e-12)


def test_the_joint_of_caster_leans_the_axis() -> None:
    parts = TrueAdjusters(caster_lever_mm=230.0, camber_per_caster=0.1, toe_per_caster=0.0)
    after = turned(START, parts, "caster adjuster", 4.0)
    upper = np.array([-230.0 * math.tan(math.radians(5.0)), 0.0, 230.0])
    change = after.caster_deg - START.caster_deg
    moved = Rotation.from_euler("y", -change, degrees=True).apply(upper)
    assert moved[0] - upper[0] == pytest.approx(-6.0, abs=1e-9)
    assert after.camber_deg == pytest.approx(START.camber_deg + 0.1 * change)


def test_signs_are_those_of_the_program() -> None:
    """To first order it does what the program's own arithmetic says of the same measures."""
    plain = TrueAdjusters(link_above_mm=0.0, camber_per_caster=0.0, toe_per_caster=0.0)
    upright = replace(START, caster_deg=0.0, sai_deg=0.0)
    link = by_geometry(ToeLink(1.5, Thread.SINGLE, 120.0, Side.BEHIND)).per_unit.value
    shim = by_geometry(CamberShim(250.0, ShimPlace.UPPER)).per_unit.value
    caster = by_geometry(CasterAdjuster(1.5, 250.0, True)).per_unit.value
    little = 1e-3
    for name, figure, per_unit in (
        ("toe link", "toe_deg", link),
        ("camber shim", "camber_deg", shim),
        ("caster adjuster", "caster_deg", caster),
    ):
        after = turned(upright, plain, name, little)
        change = getattr(after, figure) - getattr(upright, figure)
        assert change == pytest.approx(per_unit * little, rel=1e-4)


def test_what_cannot_be() -> None:
    with pytest.raises(ValueError, match="shorter"):
        turned(START, TrueAdjusters(), "toe link", 200.0)
    with pytest.raises(ValueError, match="there is no 'wing'"):
        turned(START, TrueAdjusters(), "wing", 1.0)


def test_a_cars_options_make_the_scenario_of_it() -> None:
    car = AdjustableCar({wheel: replace(START, toe_deg=0.1 * wheel.side) for wheel in Wheel})
    car.turn(Wheel.RF, "toe link", 1.0)
    scenario = load("garage", **car.options())
    for wheel in Wheel:
        assert scenario.truth(wheel).toe_deg == pytest.approx(car.wheels[wheel].toe_deg, abs=1e-6)
        assert scenario.truth(wheel).camber_deg == START.camber_deg
