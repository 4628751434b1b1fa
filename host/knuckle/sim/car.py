"""What the simulated car is: four knuckles with known truth, and how its body rolls."""

# ruff: noqa: RUF009  `key` returns a dataclasses.field
from __future__ import annotations

from dataclasses import dataclass

from knuckle.model.wheel import Wheel
from knuckle.sim.fields import key


@dataclass(frozen=True, slots=True)
class WheelTruth:
    """The true angles of one wheel at straight ahead, relative to the pads, in deg."""

    caster_deg: float
    sai_deg: float
    camber_deg: float
    toe_deg: float


@dataclass(frozen=True, slots=True)
class Knuckle:
    """One wheel and its steering axis at straight ahead, in the signs of docs/measurement.md."""

    caster_deg: float = key(
        6.0, "Caster; positive: top of the axis leans rearward.", low=-20, high=20
    )
    sai_deg: float = key(
        12.5, "Steering-axis inclination; positive: top leans inboard.", low=-5, high=30
    )
    camber_deg: float = key(
        -1.3, "Camber; positive: top of the wheel leans outboard.", low=-10, high=10
    )
    toe_deg: float = key(
        0.08, "Toe of this wheel at straight ahead; positive: toe-in.", low=-5, high=5
    )
    scrub_mm: float = key(
        10.0,
        "Scrub radius: contact patch outboard of the steering axis at ground level.",
        low=-100,
        high=150,
    )
    trail_mm: float = key(
        20.0,
        "Mechanical trail: contact patch behind the steering axis at ground level.",
        low=-100,
        high=150,
    )
    wheel_radius_mm: float = key(310.0, "Loaded radius of the wheel.", low=150, high=600)

    def truth(self) -> WheelTruth:
        """Return the angles that a measurement should find."""
        return WheelTruth(self.caster_deg, self.sai_deg, self.camber_deg, self.toe_deg)


def _rear() -> Knuckle:
    return Knuckle(caster_deg=0.0, sai_deg=8.0, camber_deg=-1.6, toe_deg=0.15, trail_mm=0.0)


@dataclass(frozen=True, slots=True)
class Car:
    """A car, its four wheels and its roll stiffness."""

    name: str = key("Heron GT (invented)", "Shown to people; invented.")
    LF: Knuckle = key(Knuckle, "Left front wheel.")
    RF: Knuckle = key(Knuckle, "Right front wheel; absent: as LF.")
    LR: Knuckle = key(_rear, "Left rear wheel.")
    RR: Knuckle = key(_rear, "Right rear wheel; absent: as LR.")
    track_mm: float = key(1520.0, "Front track, between the contact patches.", low=500, high=3000)
    turn_out: float = key(
        0.0,
        "How much more the inner front wheel turns: cot(outer) - cot(inner), which is track over "
        "wheelbase for wheels that roll about one centre; 0: both turn alike. The script's "
        "positions then lie between the two.",
        low=-1.0,
        high=2.0,
    )
    body_roll: bool = key(True, "Whether the body rolls as the wheels steer.")
    front_roll_share: float = key(
        0.55,
        "Front axle's share of the roll stiffness: how much of the lean that steering imposes on "
        "the front axle the body follows.",
        low=0.0,
        high=1.0,
    )

    def knuckle(self, wheel: Wheel) -> Knuckle:
        """Return one wheel's knuckle."""
        knuckles = {Wheel.LF: self.LF, Wheel.RF: self.RF, Wheel.LR: self.LR, Wheel.RR: self.RR}
        return knuckles[wheel]
