"""A simulated car that takes adjustments: what its links, shims and joints truly do.

It is not what a car file says: levers are somewhat longer or shorter, and an adjuster moves other
angles too. So a job can be carried through against a truth that changes with what is turned.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from knuckle.model.wheel import Wheel
from knuckle.sim.car import WheelTruth


@dataclass(frozen=True, slots=True)
class TrueAdjusters:
    """What is at one wheel, as it truly is.

    Attributes
    ----------
    link_pitch_mm, link_arm_mm : float
        Travel of the toe link for one turn; arm, negative where it lies ahead of the axle.
    shim_lever_mm : float
        Between the shim's level and the joint about which the knuckle tilts; negative for a
        shim at the lower arm.
    link_above_mm : float
        The toe link's outer joint above the joint about which the knuckle tilts.
    caster_pitch_mm, caster_lever_mm : float
        Travel of the joint for one turn; height between the joints, negative for the lower one.
    camber_per_caster, toe_per_caster : float
        What one degree of caster by the adjuster does to camber and toe: the arcs of arms and
        link, deg for each deg.
    """

    link_pitch_mm: float = 1.5
    link_arm_mm: float = 120.0
    shim_lever_mm: float = 250.0
    link_above_mm: float = 60.0
    caster_pitch_mm: float = 1.5
    caster_lever_mm: float = 250.0
    camber_per_caster: float = 0.08
    toe_per_caster: float = -0.05


def turned(truth: WheelTruth, parts: TrueAdjusters, adjuster: str, amount: float) -> WheelTruth:
    """Return a wheel's angles after an adjustment.

    Parameters
    ----------
    truth : WheelTruth
    parts : TrueAdjusters
    adjuster : str
        "toe link", "camber shim" or "caster adjuster".
    amount : float
        Turns that make the link longer, mm of shims added, or turns that move the joint rearward.

    Raises
    ------
    ValueError
        If there is no such adjuster, or it cannot be moved so far.

    Notes
    -----
    Plain trigonometry: a joint at the end of a lever moves on a circle, and its part along the
    link is lever x sine. A link behind the axle that grows longer pushes the rear of the wheel
    outboard, which is toe-in. A shim tilts the whole knuckle: camber gains what inclination loses,
    and the toe link, which keeps its length, is carried outboard at its outer joint and holds
    the arm back. The joint of the caster adjuster leans the axis.
    """
    if adjuster == "toe link":
        change = _asin_deg(parts.link_pitch_mm * amount / parts.link_arm_mm)
        return replace(truth, toe_deg=truth.toe_deg + change)
    if adjuster == "camber shim":
        # The axis keeps its length: its level part grows shorter by the shim.
        axis_mm = parts.shim_lever_mm / math.cos(math.radians(truth.sai_deg))
        level = math.sin(math.radians(truth.sai_deg)) - amount / axis_mm
        change = truth.sai_deg - _asin_deg(level)
        back_mm = parts.link_above_mm * math.sin(math.radians(change))
        return replace(
            truth,
            camber_deg=truth.camber_deg + change,
            sai_deg=truth.sai_deg - change,
            toe_deg=truth.toe_deg - _asin_deg(back_mm / parts.link_arm_mm),
        )
    if adjuster == "caster adjuster":
        axis_mm = parts.caster_lever_mm / math.cos(math.radians(truth.caster_deg))
        level = math.sin(math.radians(truth.caster_deg)) + parts.caster_pitch_mm * amount / axis_mm
        change = _asin_deg(level) - truth.caster_deg
        return replace(
            truth,
            caster_deg=truth.caster_deg + change,
            camber_deg=truth.camber_deg + parts.camber_per_caster * change,
            toe_deg=truth.toe_deg + parts.toe_per_caster * change,
        )
    raise ValueError(f"there is no {adjuster!r}")


def _asin_deg(sine: float) -> float:
    if abs(sine) > 1.0:
        raise ValueError("the lever is shorter than the movement")
    return math.degrees(math.asin(sine))


@dataclass
class AdjustableCar:
    """A car whose truth changes with what is turned on it.

    Attributes
    ----------
    wheels : dict of Wheel to WheelTruth
        As they stand now; all four.
    parts : dict of Wheel to TrueAdjusters
        The usual ones where a wheel is absent.
    """

    wheels: dict[Wheel, WheelTruth]
    parts: Mapping[Wheel, TrueAdjusters] = field(default_factory=dict)

    def turn(self, wheel: Wheel, adjuster: str, amount: float) -> None:
        """Adjust: see `turned`.

        Raises
        ------
        ValueError
            If there is no such adjuster, or it cannot be moved so far.
        """
        parts = self.parts.get(wheel, TrueAdjusters())
        self.wheels[wheel] = turned(self.wheels[wheel], parts, adjuster, amount)

    def options(self) -> dict[str, str]:
        """Return the car as options of a simulated or emulated pod's address."""
        return {
            f"car.{wheel}.{name}": f"{getattr(truth, name):.6f}"
            for wheel, truth in self.wheels.items()
            for name in ("caster_deg", "sai_deg", "camber_deg", "toe_deg")
        }
