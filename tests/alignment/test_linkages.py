"""Links, shims and joints against linkages of fixed lengths, solved in space."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq, fsolve
from scipy.spatial.transform import Rotation

from alignment.car_in_space import WHEELS, WheelInSpace, side_of, unit
from knuckle.alignment.adjusters import (
    by_geometry,
    camber_by_shim_deg,
    caster_by_joint_deg,
    lengthened_mm,
    tipped_deg,
    toe_by_length_deg,
    toe_by_tilt_deg,
)
from knuckle.model.car import CamberShim, CasterAdjuster, ShimPlace, Side, Thread, ToeLink
from knuckle.model.wheel import Wheel


def toe_in_space(
    name: str, behind: bool, longer: float, sai: float = 0.0, caster: float = 0.0, rod: float = 4e5
) -> float:
    """Return the toe of a wheel whose link was made longer, the link square to its arm.

    The link of length `rod` runs from the arm's joint inboard to a point of the rack.
    """
    q = side_of(name)
    wheel = WheelInSpace(name, 0.0, 0.0, caster, sai)
    axis = wheel.axis()
    joint = np.array([-118.0 if behind else 118.0, 0.0, 0.0])
    rack = joint - np.array([0.0, q * rod, 0.0])

    def too_long(turn: float) -> float:
        moved = Rotation.from_rotvec(turn * axis).apply(joint)
        return float(np.linalg.norm(moved - rack)) - rod - longer

    turn = brentq(too_long, -0.4, 0.4)
    spin = Rotation.from_rotvec(turn * axis).apply(wheel.spin())
    return float(np.degrees(np.arctan2(spin[0], q * spin[1])))


@pytest.mark.parametrize("name", WHEELS)
@pytest.mark.parametrize("behind", [True, False])
@pytest.mark.parametrize("longer", [1.5, -1.5, 12.0])
def test_toe_links_at_all_wheels(name: str, behind: bool, longer: float) -> None:
    link = ToeLink(1.5, Thread.SINGLE, 118.0, Side.BEHIND if behind else Side.AHEAD)
    truth = toe_in_space(name, behind, longer)
    assert toe_by_length_deg(link, longer) == pytest.approx(truth, abs=2e-3)
    # A wheel in the shop: SAI 12, caster 5, a link of 320 mm. The formula is good to a tenth.
    real = toe_in_space(name, behind, longer, 12.0, 5.0, 320.0)
    assert toe_by_length_deg(link, longer) == pytest.approx(real, rel=0.1)
    assert np.sign(real) == (1.0 if behind else -1.0) * np.sign(longer)
    assert by_geometry(link).change_deg(longer / 1.5) == pytest.approx(truth, abs=2e-3)


def test_a_sleeve_moves_both_threads() -> None:
    assert lengthened_mm(ToeLink(1.5, Thread.SLEEVE, 118.0), 1.0) == 3.0
    assert lengthened_mm(ToeLink(1.5, Thread.SINGLE, 118.0), -2.0) == -3.0


def wishbones(
    camber0: float, sai: float, height: float, upper: bool, shim: float
) -> tuple[float, float]:
    """Return camber and SAI of a double wishbone, seen from the front, with a shim in one arm.

    Outboard is positive. Arms are level at first; the wheel's centre keeps its height, as on
    the ground.
    """
    top = np.array([-height * np.tan(np.radians(sai)), height])
    inner = {"lower": np.array([-340.0, 0.0]), "upper": top - np.array([260.0, 0.0])}
    inner["upper" if upper else "lower"] += np.array([shim, 0.0])
    length = {"lower": 340.0, "upper": 260.0}
    joints = float(np.hypot(*top))
    hub = np.array([90.0, 0.4 * height])

    def misses(x: np.ndarray) -> list[float]:
        low = x[:2]
        lean = np.radians(sai) - x[2]
        high = low + joints * np.array([-np.sin(lean), np.cos(lean)])
        turn = np.array([[np.cos(x[2]), np.sin(x[2])], [-np.sin(x[2]), np.cos(x[2])]])
        centre = low + turn @ hub
        return [
            float(np.linalg.norm(low - inner["lower"])) - length["lower"],
            float(np.linalg.norm(high - inner["upper"])) - length["upper"],
            float(centre[1] - hub[1]),
        ]

    found = fsolve(misses, np.zeros(3), xtol=1e-12)
    tilt = float(np.degrees(found[2]))
    return camber0 + tilt, sai - tilt


@pytest.mark.parametrize("upper", [True, False])
@pytest.mark.parametrize("shim", [1.0, 6.5, -6.5])
def test_camber_shims(upper: bool, shim: float) -> None:
    place = ShimPlace.UPPER if upper else ShimPlace.LOWER
    change = camber_by_shim_deg(CamberShim(245.0, place), shim, 12.0)
    camber, sai = wishbones(-1.5, 12.0, 245.0, upper, shim)
    assert change == pytest.approx(camber + 1.5, rel=0.02)
    assert np.sign(change) == np.sign(shim) * (1.0 if upper else -1.0)
    assert camber + sai == pytest.approx(10.5)
    assert by_geometry(CamberShim(245.0, place)).change_deg(shim) == pytest.approx(change, rel=0.02)


def test_tipping_keeps_the_distance_of_the_joints() -> None:
    """Against the two joints as points."""
    low, height, lean = np.zeros(2), 245.0, np.radians(12.0)
    high = np.array([-height * np.tan(lean), height])
    apart = np.linalg.norm(high - low)
    x = high[0] + 20.0
    moved = np.array([x, np.sqrt(apart**2 - x**2)])
    truth = 12.0 - np.degrees(np.arctan2(-moved[0], moved[1]))
    assert tipped_deg(12.0, 20.0, 245.0) == pytest.approx(truth, abs=1e-12)


@pytest.mark.parametrize("upper", [True, False])
@pytest.mark.parametrize("rearward", [1.75, -3.5, 20.0])
def test_caster_joints(upper: bool, rearward: float) -> None:
    """Against the two joints as points, seen from the side, X forward."""
    low = np.zeros(2)
    high = np.array([-330.0 * np.tan(np.radians(4.0)), 330.0])
    apart = float(np.linalg.norm(high - low))
    (high if upper else low)[0] -= rearward
    across = low[0] - high[0]
    caster = float(np.degrees(np.arcsin(across / apart)))
    change = caster_by_joint_deg(CasterAdjuster(1.75, 330.0, upper), rearward, 4.0)
    assert change == pytest.approx(caster - 4.0, abs=1e-12)
    assert np.sign(change) == np.sign(rearward) * (1.0 if upper else -1.0)


@pytest.mark.parametrize("name", WHEELS)
@pytest.mark.parametrize("behind", [True, False])
@pytest.mark.parametrize("above", [30.0, -40.0, 0.0])
def test_toe_by_tilting_in_space(name: str, behind: bool, above: float) -> None:
    """The knuckle tips about the lower joint; then it turns until the link has its length."""
    q = side_of(name)
    joint = np.array([-118.0 if behind else 118.0, 0.0, above])
    rack = joint - np.array([0.0, q * 4e5, 0.0])
    tilt = Rotation.from_euler("x", -q * 1.5, degrees=True)
    axis = tilt.apply([0.0, 0.0, 1.0])

    def too_long(turn: float) -> float:
        moved = Rotation.from_rotvec(turn * axis).apply(tilt.apply(joint))
        return float(np.linalg.norm(moved - rack)) - 4e5

    spin = Rotation.from_rotvec(brentq(too_long, -0.3, 0.3) * axis).apply(
        tilt.apply([0.0, float(q), 0.0])
    )
    toe = float(np.degrees(np.arctan2(spin[0], q * spin[1])))
    assert -np.degrees(np.arcsin(unit(spin)[2])) == pytest.approx(1.5, abs=0.01)
    link = ToeLink(1.5, Thread.SINGLE, 118.0, Side.BEHIND if behind else Side.AHEAD)
    assert toe_by_tilt_deg(link, 1.5, above) == pytest.approx(toe, abs=2e-3)
    assert Wheel(name).side == q


def test_without_the_side_there_is_no_sign() -> None:
    link, shim, joint = (
        ToeLink(1.5, Thread.SINGLE, 118.0),
        CamberShim(245.0),
        CasterAdjuster(1.75, 330.0),
    )
    for adjuster in (link, shim, joint):
        assert not by_geometry(adjuster).sign_known
    with pytest.raises(ValueError, match="side"):
        toe_by_length_deg(link, 1.0)
    with pytest.raises(ValueError, match="place"):
        camber_by_shim_deg(shim, 1.0)
    with pytest.raises(ValueError, match="joint"):
        caster_by_joint_deg(joint, 1.0)


def test_impossible_measures_are_refused() -> None:
    side = Side.BEHIND
    with pytest.raises(ValueError, match="arm"):
        toe_by_length_deg(ToeLink(1.5, Thread.SINGLE, 10.0, side), 11.0)
    with pytest.raises(ValueError, match="closer"):
        tipped_deg(0.0, 300.0, 245.0)
    with pytest.raises(ValueError, match="above zero"):
        by_geometry(ToeLink(0.0, Thread.SINGLE, 100.0, side))
