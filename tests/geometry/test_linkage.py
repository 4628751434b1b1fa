"""Lengths of a linear sensor laid to a steered wheel, against closed forms and scipy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.linkage_on_paper import Linkage, lengths
from analysis.wheel_on_paper import Wheel
from knuckle.geometry.linkage import (
    LinkageKind,
    LinkageShape,
    change_in_plan,
    change_of_length,
    moment_arm,
)
from knuckle.geometry.steering import WheelFrame
from knuckle.geometry.steering import steering_axis as axis_in_pod

HEADINGS = np.radians(np.array([-40.0, -20.0, -3.0, 0.0, 3.0, 20.0, 40.0]))


def shape_of(linkage: Linkage) -> LinkageShape:
    return LinkageShape(
        np.asarray(linkage.lever),
        np.sqrt(linkage.reach**2 - (0.0 if linkage.kind == "rod" else linkage.rise**2)),
        np.radians(linkage.angle),
        np.radians(linkage.arm),
        np.asarray(linkage.rise),
    )


def vehicle_of(side: int) -> WheelFrame:
    """The car's axes as a pod sees them: X is forward on the left, rearward on the right."""
    x, y, z = np.eye(3)
    return WheelFrame(side * x, y, z)


@pytest.mark.parametrize("angle_deg", [60.0, 90.0, 115.0])
def test_wire_in_plan_is_the_law_of_cosines(angle_deg: float) -> None:
    """Triangle axis, point, anchor: Euclid, Elements II.12-13; the angle at the axis opens."""
    lever, reach, angle = 310.0, 420.0, np.radians(angle_deg)
    base = np.sqrt(lever**2 + reach**2 - 2.0 * lever * reach * np.cos(angle))
    at_axis = np.arccos((lever**2 + base**2 - reach**2) / (2.0 * lever * base))
    length = np.sqrt(lever**2 + base**2 - 2.0 * lever * base * np.cos(at_axis + HEADINGS))
    shape = shape_of(Linkage(lever=lever, reach=reach, angle=angle_deg))
    found = change_in_plan(LinkageKind.WIRE, shape, True, HEADINGS)
    assert found == pytest.approx(length - reach, rel=1e-12, abs=1e-10)
    arm = lever * base * np.sin(at_axis + HEADINGS) / length
    assert moment_arm(LinkageKind.WIRE, shape, True, HEADINGS) == pytest.approx(arm, rel=1e-12)


def test_rod_in_plan_is_the_tangent() -> None:
    """A face at f ahead of the axis, turned by d, is met at f / cos d + lever tan d."""
    lever, face = 110.0, 14.0
    shape = shape_of(Linkage("rod", lever=lever, reach=face))
    found = change_in_plan(LinkageKind.ROD, shape, True, HEADINGS)
    expected = face / np.cos(HEADINGS) + lever * np.tan(HEADINGS) - face
    assert found == pytest.approx(expected, rel=1e-12, abs=1e-10)


def test_an_anchor_far_away_is_the_tangential_rod() -> None:
    """A wire square to its lever and very long: lever x sin of the heading."""
    shape = shape_of(Linkage(lever=300.0, reach=1e7))
    found = change_in_plan(LinkageKind.WIRE, shape, True, HEADINGS)
    assert found == pytest.approx(300.0 * np.sin(HEADINGS), abs=0.01)


@pytest.mark.parametrize("name", ["LF", "RF"])
@pytest.mark.parametrize("longer_left", [True, False])
@pytest.mark.parametrize(
    "linkage",
    [
        Linkage(arm=25.0, rise=30.0, angle=80.0),
        Linkage(arm=-120.0, rise=-40.0, angle=100.0),
        Linkage("rod", lever=110.0, reach=12.0, angle=94.0, arm=35.0),
    ],
)
def test_length_on_an_inclined_axis_against_scipy(
    name: str, longer_left: bool, linkage: Linkage
) -> None:
    wheel, linkage = Wheel(name=name), replace(linkage, longer_left=longer_left)
    side = 1 if name == "LF" else -1
    axis = axis_in_pod(np.radians(wheel.caster), np.radians(wheel.sai), side)
    found = change_of_length(
        LinkageKind(linkage.kind),
        shape_of(linkage),
        longer_left,
        axis,
        vehicle_of(side),
        HEADINGS,
    )
    expected = lengths(wheel, np.degrees(HEADINGS), linkage)
    assert found == pytest.approx(expected, rel=1e-11, abs=1e-9)


def test_an_inclined_axis_makes_a_difference_that_matters() -> None:
    """The plan view alone is off by millimetres at 20 deg: why the axis comes in."""
    linkage = Linkage(arm=20.0)
    flat = change_in_plan(LinkageKind.WIRE, shape_of(linkage), True, HEADINGS)
    true = lengths(Wheel(), np.degrees(HEADINGS), linkage)
    assert 1.0 < np.max(np.abs(flat - true)) < 20.0


@pytest.mark.parametrize("kind", list(LinkageKind))
def test_derivatives_by_complex_step_against_differences(kind: LinkageKind) -> None:
    figures = np.array([300.0, 410.0, np.radians(80.0), np.radians(25.0), 20.0])
    axis = axis_in_pod(np.radians(5.0), np.radians(12.0), 1)

    def length(x: np.ndarray) -> np.ndarray:
        shape = LinkageShape(*x)
        return change_of_length(kind, shape, True, axis, vehicle_of(1), HEADINGS)

    for k, figure in enumerate(figures):
        exact = length(figures + 1j * 1e-30 * np.eye(5)[k]).imag / 1e-30
        step = 1e-6 * figure * np.eye(5)[k]
        differences = (length(figures + step) - length(figures - step)) / (2e-6 * figure)
        assert exact == pytest.approx(differences, rel=1e-6, abs=1e-6)


def test_moment_arm_is_zero_at_dead_centre() -> None:
    shape = shape_of(Linkage(lever=300.0, reach=400.0, angle=180.0))
    assert moment_arm(LinkageKind.WIRE, shape, True, np.zeros(1))[0] == pytest.approx(0.0, abs=1e-9)
    square = shape_of(Linkage(lever=300.0, reach=400.0, angle=90.0))
    assert moment_arm(LinkageKind.WIRE, square, False, np.zeros(1))[0] == pytest.approx(300.0)
