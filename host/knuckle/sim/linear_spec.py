"""What a scenario says of linear sensors, and of what they are laid to. See `spec`."""

# ruff: noqa: RUF009  `key` returns a dataclasses.field
from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from knuckle.sim.fields import key


class LinearKind(StrEnum):
    """The part behind the linear channel."""

    NONE = "none"
    POTENTIOMETER = "potentiometer"
    CALIPER = "caliper"


class LinkageKind(StrEnum):
    """How the sensor feels the wheel's steer; docs/measurement.md draws both."""

    NONE = "none"
    WIRE = "wire"
    ROD = "rod"


class Place(StrEnum):
    """Where a hand-held sensor is laid on."""

    FRONT = "front"
    REAR = "rear"
    GAUGE = "gauge"


@dataclass(frozen=True, slots=True)
class LinearSensor:
    """The pod's linear sensor: length = gain x (what the pod sends) + offset, and its errors.

    A potentiometer or draw-wire is read by a converter of 10 bits, 16 times a reading, scaled to
    a travel of 100 mm; a caliper counts 0.01 mm and is read ten times a second.
    """

    kind: LinearKind = key(LinearKind.NONE, "What the pod has.")
    spare: bool = key(False, "A second linear channel beside it, laid to nothing.")
    gain: float = key(1.0, "mm of length for each mm sent; negative: backwards.", low=-50, high=50)
    gain_sigma: float = key(0.0, "Drawn on top.", low=0, high=1)
    offset_mm: float = key(0.0, "Length at which the pod sends zero.", low=-5000, high=5000)
    offset_sigma_mm: float = key(0.0, "Drawn on top.", low=0, high=100)
    noise_mm: float = key(0.03, "Noise of one conversion, in mm sent, rms.", low=0, high=10)
    nonlinearity_mm: float = key(
        0.05, "Departure from the straight line, in mm of length, rms; drawn.", low=0, high=10
    )


@dataclass(frozen=True, slots=True)
class Linkage:
    """The linear sensor between the wheel and a fixed anchor: a draw-wire, or a rod on a face.

    The values are those that are measured; the truth is drawn round them.
    """

    kind: LinkageKind = key(LinkageKind.NONE, "none, wire or rod.")
    lever_mm: float = key(
        370.0, "Point (or rod) from the steering axis, seen from above.", low=10, high=2000
    )
    lever_sigma_mm: float = key(0.0, "Drawn on top.", low=0, high=100)
    arm_deg: float = key(
        20.0, "Where the lever points: from forward towards outboard.", low=-180, high=180
    )
    arm_sigma_deg: float = key(0.0, "Drawn on top.", low=0, high=45)
    distance_mm: float = key(
        450.0, "Sensor's length at straight ahead, point to anchor.", low=10, high=5000
    )
    distance_sigma_mm: float = key(0.0, "Drawn on top.", low=0, high=100)
    angle_deg: float = key(
        90.0, "Between lever and wire (or face and rod), from above.", low=1, high=179
    )
    angle_sigma_deg: float = key(0.0, "Drawn on top.", low=0, high=45)
    rise_mm: float = key(0.0, "Anchor higher than the point (wire).", low=-1000, high=1000)
    rise_sigma_mm: float = key(0.0, "Drawn on top.", low=0, high=200)
    face_mm: float = key(0.0, "Face ahead of the axis, along the rod (rod).", low=-1000, high=1000)
    face_sigma_mm: float = key(0.0, "Drawn on top.", low=0, high=100)
    longer_left: bool = key(True, "Whether steering left makes it longer.")
    play_mm: float = key(0.1, "Play, drawn anew at each stop, one sigma.", low=0, high=20)


@dataclass(frozen=True, slots=True)
class StringLine:
    """A string beside the car, and the rims' points that are measured to it, for toe."""

    offset_mm: float = key(60.0, "String outboard of the middle of the rim.", low=1, high=1000)
    offset_sigma_mm: float = key(4.0, "Drawn on top at each wheel.", low=0, high=100)
    skew_deg: float = key(
        0.0, "String against the car: as if every wheel had so much toe-in.", low=-5, high=5
    )
    skew_sigma_deg: float = key(0.0, "Drawn on top, each side its own.", low=0, high=2)
    chord_mm: float = key(420.0, "From the rim's front point to its rear one.", low=50, high=1000)
    rim_sigma_mm: float = key(0.0, "The rim's points out of true, drawn.", low=0, high=10)
    touch_sigma_mm: float = key(0.1, "How well the sensor is laid on, drawn.", low=0, high=10)
    tremor_mm: float = key(0.02, "Unrest of the hand while it holds, rms.", low=0, high=5)
    free_mm: float = key(95.0, "Length of the sensor that touches nothing.", low=0, high=5000)
    in_hand: bool = key(False, "Whether the pod itself is carried with the sensor.")
