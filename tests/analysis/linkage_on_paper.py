"""Lengths of a linear sensor laid to a wheel on paper, by scipy: no code of the package."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation


@dataclass
class Linkage:
    """The linkage as it truly is: mm and deg, in the words of docs/measurement.md, section 10."""

    kind: str = "wire"
    lever: float = 370.0
    reach: float = 450.0
    angle: float = 90.0
    arm: float = 20.0
    rise: float = 0.0
    longer_left: bool = True


def lengths(wheel, steer_deg, linkage):
    """Return the sensor's length (mm) less that at straight ahead, at turns about the axis."""
    q = 1 if wheel.name[0] == "L" else -1
    d = np.radians
    axis = np.array([-np.tan(d(wheel.caster)), -q * np.tan(d(wheel.sai)), 1.0])
    axis /= np.linalg.norm(axis)
    turn = Rotation.from_rotvec(np.outer(d(np.atleast_1d(steer_deg)), axis))
    out = q * d(linkage.arm)
    lever = np.array([np.cos(out), np.sin(out), 0.0])
    left = np.array([-np.sin(out), np.cos(out), 0.0])
    ahead = left if linkage.longer_left else -left
    point = linkage.lever * lever
    sine, cosine = np.sin(d(linkage.angle)), np.cos(d(linkage.angle))
    if linkage.kind == "rod":
        normal = turn.apply(sine * ahead - cosine * lever)
        on_face = turn.apply(point + linkage.reach * ahead)
        out_mm = np.einsum("ij,ij->i", normal, on_face - point) / (normal @ ahead)
        return out_mm - linkage.reach
    level = np.sqrt(linkage.reach**2 - linkage.rise**2)
    anchor = point - level * (cosine * lever + sine * ahead) + [0.0, 0.0, linkage.rise]
    return np.linalg.norm(turn.apply(point) - anchor, axis=1) - linkage.reach


def drawn_about(rng, given):
    """Draw the true linkage about the figures that a user measured (a `LinearSteer`)."""

    def draw(known):
        return known.value + known.standard_uncertainty * rng.normal()

    return Linkage(
        given.kind.value,
        draw(given.lever_mm),
        draw(given.reach_mm),
        draw(given.angle_deg),
        draw(given.arm_deg),
        draw(given.rise_mm),
        given.longer_left,
    )


def readings(rng, wheel, steer_deg, rests, given, rate_hz):
    """Draw what a pod sends of a sensor laid to the wheel, all errors as `given` states them.

    Parameters
    ----------
    rests : list of (start_s, end_s, stop_deg)
        Each has a play of its own; the departure from the straight line is that of the stop.
    """
    made = given.calibration
    length = given.reach_mm.value + lengths(wheel, steer_deg, drawn_about(rng, given))
    t_s = np.arange(length.size) / rate_hz
    bends = {stop: made.scatter_mm * rng.normal() for *_, stop in rests}
    for start_s, end_s, stop in rests:
        held = (t_s >= start_s) & (t_s < end_s)
        length[held] += bends[stop] + given.own_mm * rng.normal()
    gain = made.gain + np.sqrt(made.covariance[0, 0]) * rng.normal()
    return (length - made.offset_mm) / gain + rng.normal(0.0, 0.03, length.size)
