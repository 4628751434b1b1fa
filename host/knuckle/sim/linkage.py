"""The linear sensor laid to a steered wheel: its length by exact geometry in space.

All points are in vehicle axes from the steering axis' point at the height of the sensor. Plain
rigid-body geometry; docs/measurement.md derives the same lengths for the estimator.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from knuckle.geometry.rotation import turned
from knuckle.model.block import FloatArray
from knuckle.sim.case import Case, Stream
from knuckle.sim.kinematics import spin_axis, steering_axis
from knuckle.sim.linear_spec import LinkageKind

_UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True)
class LinkageTruth:
    """The linkage as drawn, in the words of its table in the scenario."""

    lever_mm: float
    arm_deg: float
    distance_mm: float
    angle_deg: float
    rise_mm: float
    face_mm: float


class LinkedWheel:
    """A wheel with the sensor laid to it.

    Attributes
    ----------
    truth : LinkageTruth
    """

    def __init__(self, case: Case) -> None:
        scenario = case.scenario
        link, side = scenario.linkage, scenario.wheel.side
        knuckle = scenario.car.knuckle(scenario.wheel)
        normal = case.generator(Stream.LINKAGE).standard_normal(6)
        self.truth = LinkageTruth(
            lever_mm=link.lever_mm + link.lever_sigma_mm * float(normal[0]),
            arm_deg=link.arm_deg + link.arm_sigma_deg * float(normal[1]),
            distance_mm=link.distance_mm + link.distance_sigma_mm * float(normal[2]),
            angle_deg=link.angle_deg + link.angle_sigma_deg * float(normal[3]),
            rise_mm=link.rise_mm + link.rise_sigma_mm * float(normal[4]),
            face_mm=link.face_mm + link.face_sigma_mm * float(normal[5]),
        )
        self._rod = link.kind is LinkageKind.ROD
        self._axis, self._spin = steering_axis(knuckle, side), spin_axis(knuckle, side)
        radius = knuckle.wheel_radius_mm
        caster, sai = np.tan(np.radians([knuckle.caster_deg, knuckle.sai_deg]))
        self._hub = np.array(
            [radius * caster - knuckle.trail_mm, side * (radius * sai + knuckle.scrub_mm), 0.0]
        )
        self._place(side, link.longer_left)

    def _place(self, side: int, longer_left: bool) -> None:
        t = self.truth
        arm, angle = np.radians([t.arm_deg, t.angle_deg])
        lever = np.array([np.cos(arm), side * np.sin(arm), 0.0])
        left = np.cross(_UP, lever)
        ahead = left if longer_left else -left
        self._point = t.lever_mm * lever
        if self._rod:
            self._along = ahead
            self._normal = ahead * np.sin(angle) - lever * np.cos(angle)
            self._face = self._point + t.face_mm * ahead
            return
        level_mm = np.sqrt(t.distance_mm**2 - t.rise_mm**2)
        way = -lever * np.cos(angle) - ahead * np.sin(angle)
        self._anchor = self._point + level_mm * way + t.rise_mm * _UP

    def length_mm(self, theta_rad: FloatArray, roll_rad: FloatArray) -> FloatArray:
        """Return the sensor's length, shape (n,), at turns of the wheel about its axes."""
        if not self._rod:
            return np.asarray(
                np.linalg.norm(
                    self._moved(self._point, theta_rad, roll_rad) - self._anchor, axis=-1
                )
            )
        face = self._moved(self._face, theta_rad, roll_rad)
        normal = turned(turned(self._normal, self._spin, roll_rad), self._axis, theta_rad)
        out_mm = np.sum(normal * (face - self._point), axis=-1) / (normal @ self._along)
        return np.asarray(self.truth.distance_mm + out_mm - self.truth.face_mm)

    def _moved(self, point: FloatArray, theta_rad: FloatArray, roll_rad: FloatArray) -> FloatArray:
        rolled = self._hub + turned(point - self._hub, self._spin, roll_rad)
        return np.asarray(turned(rolled, self._axis, theta_rad))
