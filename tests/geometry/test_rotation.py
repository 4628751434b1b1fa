"""Rotations against scipy.spatial.transform.Rotation, and their derivatives."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from knuckle.geometry.cone import angles_about, fit_cone
from knuckle.geometry.rotation import (
    chain,
    exponential,
    product,
    quaternion,
    rotation_vector,
    turned,
    unit,
)


@pytest.fixture
def rng():
    return np.random.default_rng(20260101)


def scalar_first(rotation):
    x, y, z, w = np.moveaxis(rotation.as_quat(), -1, 0)
    return np.stack([w, x, y, z], axis=-1) * np.sign(w)[..., None]


def test_turned_is_scipys_rotation(rng):
    axis, angle = unit(rng.normal(size=(50, 3))), rng.uniform(-3, 3, 50)
    v = rng.normal(size=(50, 3))
    expected = Rotation.from_rotvec(axis * angle[:, None]).apply(v)
    np.testing.assert_allclose(turned(v, axis, angle), expected, atol=1e-14)


def test_quaternion_product_and_chain_are_scipys(rng):
    rotvec = rng.normal(size=(37, 3)) * 0.3
    steps = Rotation.from_rotvec(rotvec)
    expected = Rotation.identity()
    for step in steps:
        expected = expected * step
    found = chain(exponential(rotvec))
    np.testing.assert_allclose(found * np.sign(found[0]), scalar_first(expected), atol=1e-14)
    axis, angle = unit(rotvec[0]), np.linalg.norm(rotvec[0])
    np.testing.assert_allclose(quaternion(axis, angle), exponential(rotvec[:1])[0], atol=1e-15)
    both = product(exponential(rotvec[:1])[0], exponential(rotvec[1:2])[0])
    np.testing.assert_allclose(
        both * np.sign(both[0]), scalar_first(steps[0] * steps[1]), atol=1e-14
    )


@pytest.mark.parametrize("size", [0.0, 1e-9, 1e-4, 0.01, 0.7, 3.0])
def test_rotation_vector_undoes_exponential(rng, size):
    rotvec = unit(rng.normal(size=(20, 3))) * size
    found = rotation_vector(exponential(rotvec))
    np.testing.assert_allclose(found, rotvec, rtol=1e-12, atol=1e-18)


@pytest.mark.parametrize("size", [1e-6, 1e-4, 9.9e-5, 0.3])
def test_complex_step_equals_central_difference(rng, size):
    axis = unit(rng.normal(size=3))

    def length(angle):
        return rotation_vector(quaternion(axis, np.asarray(angle)))[0]

    exact = length(size + 1e-30j).imag / 1e-30
    h = 1e-7
    assert exact == pytest.approx((length(size + h) - length(size - h)) / (2 * h), rel=1e-6)
    assert exact == pytest.approx(axis[0], rel=1e-12)


def test_a_cone_gives_its_axis_and_turns(rng):
    axis = unit(np.array([-0.1, -0.2, 1.0]))
    up = unit(np.array([0.02, 0.01, 1.0]))
    turns = np.radians([0.0, 21.0, -18.0, 5.0])
    readings = Rotation.from_rotvec(np.outer(-turns, axis)).apply(up) * 1.03
    cone = fit_cone(readings)
    np.testing.assert_allclose(cone.axis, axis, atol=1e-12)
    assert cone.half_angle_rad == pytest.approx(np.arccos(axis @ up), abs=1e-12)
    np.testing.assert_allclose(angles_about(axis, readings, readings[0]), turns, atol=1e-12)


def test_two_readings_make_no_cone():
    with pytest.raises(ValueError, match="three"):
        fit_cone(np.eye(3)[:2])
