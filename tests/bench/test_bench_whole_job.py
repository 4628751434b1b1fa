"""A whole job by the emulated board: camber, sweep, toe through its linear channel."""

from __future__ import annotations

import math
from pathlib import Path

from flows.whole_job import PREPARED, Person, Prepared, car_that_is_off, outside, person
from knuckle.model.wheel import Wheel

__all__ = ["person"]

CALIPER = "linear.kind=caliper&linear.gain=1&linear.offset_mm=0&linear.noise_mm=0.01"
SITS_WELL = "mount.tilt_sigma_deg=0.1"


def by_rule(who: Person, *wheels: Wheel) -> str:
    """Return what a person types who takes toe with a rule, to half a tenth."""
    lines = []
    for wheel in wheels:
        apart = 420.0 * math.sin(math.radians(who.car.wheels[wheel].toe_deg))
        lines.append(f"toe {wheel} {60 + apart:.2f}/60 {60 + apart:.2f}/60\n")
    return "".join(lines)


def test_the_left_front_wheel_ends_inside_within_two_rounds(
    person: Prepared, board_elf: Path
) -> None:
    who = person(f"avr:string?seed=3&{CALIPER}&{SITS_WELL}", ())
    off = car_that_is_off().wheels
    # One wheel by the pod, which keeps it short; the others are good, and taken by hand.
    who.car.wheels = {
        Wheel.LF: off[Wheel.LF],
        Wheel.RF: off[Wheel.RF].__class__(6.0, 12.2, -1.5, 0.1),
        Wheel.LR: off[Wheel.RR],
        Wheel.RR: off[Wheel.RR],
    }
    assert len(outside(who.car)) == 3
    others = by_rule(who, Wheel.RF, Wheel.LR, Wheel.RR) + "camber RF -1.5/0.1\ncaster RF 6/0.2\n"
    lines = "camber LF\ntoe LF\nsweep LF\n"
    who.types(PREPARED + "skip\nskip\n" + others + lines + "done\n")
    assert [each.rsplit(" ", 1)[0] for each in who.adjusts()] == [
        "LF caster adjuster",
        "LF camber shim",
        "LF toe link",
    ]
    who.types("camber LF\ntoe LF\ndone\n")
    assert who.adjusts()
    assert outside(who.car) == []
    readings = who.status()["readings"]
    by_pod = [each for each in readings if not each["by_hand"]]
    assert [each["round"] for each in by_pod] == [0, 0, 0, 1, 1]
