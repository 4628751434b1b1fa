"""A car built in space by scipy rotations, sharing no code with the package.

Vehicle axes: X forward, Y left, Z up; the car's origin lies in the ground between the front
wheels. Lengths in mm, angles in deg with the trade's signs.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

WHEELS = ("LF", "RF", "LR", "RR")
UP = np.array([0.0, 0.0, 1.0])


def side_of(name: str) -> int:
    return 1 if name[0] == "L" else -1


def unit(v: np.ndarray) -> np.ndarray:
    return v / np.linalg.norm(v)


@dataclass
class WheelInSpace:
    """Truth of one wheel."""

    name: str
    camber: float = 0.0
    toe: float = 0.0
    caster: float = 0.0
    sai: float = 0.0

    def spin(self) -> np.ndarray:
        """The outboard spin axis: lean about the forward axis, then turn about the vertical."""
        q = side_of(self.name)
        lean = Rotation.from_euler("x", -q * self.camber, degrees=True)
        steer = Rotation.from_euler("z", -q * self.toe, degrees=True)
        return (steer * lean).apply([0.0, float(q), 0.0])

    def axis(self) -> np.ndarray:
        """The steering axis upwards: its top rearward by caster, inboard by SAI."""
        q = side_of(self.name)
        rearward, inboard = np.tan(np.radians([self.caster, self.sai]))
        return unit(np.array([-rearward, -q * inboard, 1.0]))


@dataclass
class CarInSpace:
    """Truth of a car."""

    wheelbase: float = 2500.0
    tracks: tuple[float, float] = (1500.0, 1480.0)
    wheels: dict[str, WheelInSpace] = field(default_factory=dict)

    def hub(self, name: str) -> np.ndarray:
        """Where a wheel's hub is, seen from above, with the car level."""
        track = self.tracks[name[1] == "R"]
        x = 0.0 if name[1] == "F" else -self.wheelbase
        return np.array([x, side_of(name) * track / 2.0, 300.0])


def standing(across: float, along: float) -> np.ndarray:
    """Return the matrix that carries car axes to level ones, for pads in a plane of that slope.

    Heights of the plane are z = x tan(along) + y tan(across); the car's forward axis lies above
    the level X axis.
    """
    normal = unit(np.array([-np.tan(np.radians(along)), -np.tan(np.radians(across)), 1.0]))
    forward = unit(np.array([1.0, 0.0, 0.0]) - normal * normal[0])
    return np.stack([forward, np.cross(normal, forward), normal], axis=1)


def read_by_gravity(wheel: WheelInSpace, placed: np.ndarray) -> tuple[float, float, float]:
    """Return camber, caster and SAI as an instrument that knows only the plumb line finds them.

    Caster and SAI are taken in level axes turned by the wheel's toe from where it points.
    """
    q = side_of(wheel.name)
    spin, axis = placed @ wheel.spin(), placed @ wheel.axis()
    camber = -np.degrees(np.arcsin(spin @ UP))
    outboard = unit(spin - UP * (spin @ UP))
    outboard = Rotation.from_euler("z", q * wheel.toe, degrees=True).apply(outboard)
    forward = q * np.cross(outboard, UP)
    caster = -np.degrees(np.arctan2(axis @ forward, axis @ UP))
    sai = -np.degrees(np.arctan2(axis @ outboard, axis @ UP))
    return float(camber), float(caster), float(sai)


@dataclass
class StringInSpace:
    """A string seen from above: through a point, with its front end inboard by a toe."""

    name: str
    distance: float
    toe: float

    def line(self, car: CarInSpace) -> tuple[np.ndarray, np.ndarray]:
        q = 1 if self.name == "L" else -1
        through = np.array([-car.wheelbase / 2.0, q * (max(car.tracks) / 2.0 + self.distance)])
        along = Rotation.from_euler("z", -q * self.toe, degrees=True).apply([1.0, 0.0, 0.0])[:2]
        return through, along

    def offset(self, car: CarInSpace, point: np.ndarray) -> float:
        """The distance of a point from the string, square to it."""
        through, along = self.line(car)
        away = point[:2] - through
        return float(abs(away[0] * along[1] - away[1] * along[0]))


def rim_touches(
    car: CarInSpace,
    wheel: WheelInSpace,
    rim: float,
    askew: float = 0.0,
    roll: float = 0.0,
    rise: float = 0.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the rim's front and rear touch points.

    The rim's plane stands askew on the wheel by `askew` deg towards the clock position `roll`;
    the front touch is higher than the rear one by `rise`.
    """
    hub, spin = car.hub(wheel.name), wheel.spin()
    tilt_about = Rotation.from_rotvec(np.radians(roll) * spin).apply(unit(np.cross(UP, spin)))
    normal = Rotation.from_rotvec(np.radians(askew) * tilt_about).apply(spin)
    level = unit(np.cross(normal, UP))
    level = level if level[0] > 0.0 else -level
    upward = np.cross(level, normal)
    upward = upward if upward[2] > 0.0 else -upward
    climb = np.arcsin(rise / rim / upward[2])
    along = level * np.cos(climb) + upward * np.sin(climb)
    return hub + along * rim / 2.0, hub - along * rim / 2.0
