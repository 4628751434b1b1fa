"""Pads, strings, rims and axles against a car built in space, at all four wheels."""

from __future__ import annotations

import numpy as np
import pytest

from alignment.car_in_space import (
    WHEELS,
    CarInSpace,
    StringInSpace,
    WheelInSpace,
    read_by_gravity,
    rim_touches,
    side_of,
    standing,
)
from alignment.figures import made
from analysis.paper_sweeps import swept
from analysis.wheel_on_paper import Wheel as PaperWheel
from knuckle.alignment.axle import WheelToe, about_thrust_line, front_targets
from knuckle.alignment.half_turn import half_turn, rolled
from knuckle.alignment.pads import on_these_pads, pads_of
from knuckle.alignment.shared import Origin
from knuckle.alignment.strings import Widths, against_car_line, strings_of
from knuckle.estimate.priors import Given, Priors
from knuckle.geometry.toe import toe_deg
from knuckle.model.car import Target
from knuckle.model.result import SWEPT, Quantity
from knuckle.model.wheel import Wheel

CAR = CarInSpace(
    wheels={
        "LF": WheelInSpace("LF", -1.5, 0.35, 5.0, 12.0),
        "RF": WheelInSpace("RF", -1.2, -0.10, 5.5, 12.5),
        "LR": WheelInSpace("LR", -2.0, 0.25),
        "RR": WheelInSpace("RR", -1.7, 0.05),
    }
)
EXACTLY = (Given(1500.0, 1e-6), Given(1480.0, 1e-6))


def pads_on_plane(across: float, along: float):
    """Measure the four pads of a plane with a rule, the car standing on it."""
    placed = standing(across, along)
    heights = {}
    for name in WHEELS:
        foot = CAR.hub(name) * [1.0, 1.0, 0.0]
        heights[Wheel(name)] = float((placed @ foot)[2])
    return heights, placed


@pytest.mark.parametrize("name", WHEELS)
@pytest.mark.parametrize(("across", "along"), [(0.4, 0.0), (0.0, 0.5), (-0.6, 0.3), (0.3, -0.7)])
def test_pads_in_space(name: str, across: float, along: float) -> None:
    heights, placed = pads_on_plane(across, along)
    pads = pads_of(heights, 0.1, wheelbase_mm=2500.0, track_front_mm=1500.0, track_rear_mm=1480.0)
    wheel = CAR.wheels[name]
    readings = read_by_gravity(wheel, placed)
    results = {
        q: made(q, x, "relative to gravity", noise=0.1)
        for q, x in zip(SWEPT, readings, strict=True)
    }
    done = on_these_pads(results, pads, Wheel(name), wheel.toe)
    for quantity, truth in zip(SWEPT, (wheel.camber, wheel.caster, wheel.sai), strict=True):
        assert done[quantity].value == pytest.approx(truth, abs=1e-4)
        assert done[quantity].condition == "relative to the pads"
    # Left pads higher takes from left readings of camber, adds to the right.
    assert readings[0] == pytest.approx(wheel.camber - side_of(name) * across, abs=0.01)
    assert readings[1] == pytest.approx(wheel.caster + along, abs=0.02)
    assert readings[2] == pytest.approx(wheel.sai + side_of(name) * across, abs=0.03)


@pytest.mark.parametrize("name", WHEELS)
@pytest.mark.parametrize("toe", [0.0, 2.0])
@pytest.mark.parametrize(("across", "along"), [(8.0, 0.0), (0.0, 8.0)])
def test_steep_pads_are_exact(name: str, across: float, along: float, toe: float) -> None:
    """At slopes of which first order is wrong by tenths of a degree."""
    wheel = WheelInSpace(name, -3.0, toe, 7.0, 14.0)
    placed = standing(across, along)
    heights = {Wheel(n): float((placed @ (CAR.hub(n) * [1.0, 1.0, 0.0]))[2]) for n in WHEELS}
    # The level distances that a plumb line from the wheels would show.
    levels = {n: placed @ (CAR.hub(n) * [1.0, 1.0, 0.0]) for n in WHEELS}
    pads = pads_of(
        heights,
        0.1,
        wheelbase_mm=levels["LF"][0] - levels["LR"][0],
        track_front_mm=levels["LF"][1] - levels["RF"][1],
        track_rear_mm=levels["LR"][1] - levels["RR"][1],
    )
    readings = read_by_gravity(wheel, placed)
    results = {
        q: made(q, x, "relative to gravity", noise=0.1)
        for q, x in zip(SWEPT, readings, strict=True)
    }
    done = on_these_pads(results, pads, Wheel(name), toe)
    for quantity, truth in zip(SWEPT, (wheel.camber, wheel.caster, wheel.sai), strict=True):
        assert done[quantity].value == pytest.approx(truth, abs=1e-9)


@pytest.mark.parametrize("name", ["LF", "RF"])
def test_pads_as_the_estimator_takes_them(name: str) -> None:
    """The correction afterwards is what a sweep with the slopes entered would have given."""
    paper = PaperWheel(name=name, pads_across=0.4, pads_along=-0.3)
    by_gravity = swept(paper)
    known = Priors(
        pads_across=Given(0.4, 0.05),
        pads_along=Given(-0.3, 0.02),
        pads_across_known=True,
        pads_along_known=True,
    )
    entered = swept(paper, priors=known)
    t_front, t_rear, base = 1500.0, 1500.0, 2500.0
    a, b = np.tan(np.radians([0.4, -0.3]))
    heights = {
        Wheel.LF: a * t_front / 2.0 + b * base,
        Wheel.RF: -a * t_front / 2.0 + b * base,
        Wheel.LR: a * t_rear / 2.0,
        Wheel.RR: -a * t_rear / 2.0,
    }
    pads = pads_of(heights, 0.0, wheelbase_mm=base, track_front_mm=t_front, track_rear_mm=t_rear)
    done = on_these_pads(by_gravity.results, pads, Wheel(name))
    for quantity in SWEPT:
        assert done[quantity].value == pytest.approx(entered.results[quantity].value, abs=0.002)
        assert done[quantity].condition == entered.results[quantity].condition
        assert (
            done[quantity].standard_uncertainty < by_gravity.results[quantity].standard_uncertainty
        )


def strings_in_space(left_toe: float, right_toe: float) -> dict[str, StringInSpace]:
    return {"L": StringInSpace("L", 140.0, left_toe), "R": StringInSpace("R", 155.0, right_toe)}


def offsets_of(strings: dict[str, StringInSpace]) -> dict[Wheel, float]:
    return {Wheel(n): strings[n[0]].offset(CAR, CAR.hub(n)) for n in WHEELS}


@pytest.mark.parametrize(("left", "right"), [(0.0, 0.0), (0.3, -0.2), (-1.5, 2.0), (0.7, 0.7)])
def test_strings_and_toe_in_space(left: float, right: float) -> None:
    """Offsets, touches, then toe of all four wheels, all read off a car in space."""
    lines = strings_in_space(left, right)
    strings = strings_of(offsets_of(lines), wheelbase_mm=2500.0, tracks_mm=EXACTLY)
    assert strings.left.toe_deg.value == pytest.approx(left, abs=1e-6)
    assert strings.right.toe_deg.value == pytest.approx(right, abs=1e-6)
    toes = {}
    for name, wheel in CAR.wheels.items():
        front, rear = rim_touches(CAR, wheel, 420.0, rise=3.0)
        read = toe_deg(
            lines[name[0]].offset(CAR, front),
            lines[name[0]].offset(CAR, rear),
            420.0,
            height_mm=3.0,
            camber_deg=wheel.camber,
        )
        toe = against_car_line(
            made(Quantity.TOE, read, string=0.03, noise=0.01), strings, Wheel(name)
        )
        assert toe.value == pytest.approx(wheel.toe, abs=2e-5)
        toes[name] = WheelToe(toe, Origin(Wheel(name), strings="these"))
    centred = about_thrust_line(*(toes[n] for n in WHEELS))
    # From the wheels' headings in space, to the left.
    heading = {n: np.degrees(np.arctan2(*_forward(w)[1::-1])) for n, w in CAR.wheels.items()}
    thrust = (heading["LR"] + heading["RR"]) / 2.0
    assert centred.rear.heading.value == pytest.approx(thrust, abs=2e-5)
    assert centred.front.total.value == pytest.approx(heading["RF"] - heading["LF"], abs=2e-5)
    off = (heading["LF"] + heading["RF"]) / 2.0 - thrust
    assert centred.off_centre.value == pytest.approx(off, abs=2e-5)
    assert centred.left.value == pytest.approx(thrust - heading["LF"], abs=2e-5)
    assert centred.right.value == pytest.approx(heading["RF"] - thrust, abs=2e-5)
    # Turned to these targets, both front wheels stand alike about the thrust line.
    total = centred.front.total.value
    aims = front_targets(Target(total, total, total), centred.rear.heading.value)
    assert -aims[Wheel.LF].value - thrust == pytest.approx(-(aims[Wheel.RF].value - thrust))


def _forward(wheel: WheelInSpace) -> np.ndarray:
    return np.cross(wheel.spin(), [0.0, 0.0, 1.0]) * side_of(wheel.name)


@pytest.mark.parametrize(("left", "right"), [(0.0, 0.0), (0.3, -0.2), (0.7, 0.9)])
def test_strings_by_widths_need_no_track(left: float, right: float) -> None:
    lines = strings_in_space(left, right)

    def width_at(x: float) -> float:
        ends = []
        for line in lines.values():
            through, along = line.line(CAR)
            ends.append(through[1] + (x - through[0]) * along[1] / along[0])
        return ends[0] - ends[1]

    widths = Widths(width_at(700.0), width_at(-3100.0), 3800.0, 0.2)
    strings = strings_of(offsets_of(lines), wheelbase_mm=2500.0, widths=widths)
    assert strings.left.toe_deg.value == pytest.approx(left, abs=1e-5)
    assert strings.right.toe_deg.value == pytest.approx(right, abs=1e-5)
    assert strings.half_track_difference_mm.value == pytest.approx(-10.0, abs=1e-3)
    both = strings_of(offsets_of(lines), wheelbase_mm=2500.0, tracks_mm=EXACTLY, widths=widths)
    assert both.consistent
    assert both.left.toe_deg.standard_uncertainty < strings.left.toe_deg.standard_uncertainty


@pytest.mark.parametrize("side", ["L", "R"])
@pytest.mark.parametrize("toe", [0.5, -0.5])
def test_moving_the_named_end_makes_a_string_parallel(side: str, toe: float) -> None:
    lines = strings_in_space(0.0, 0.0)
    lines[side].toe = toe
    strings = strings_of(offsets_of(lines), wheelbase_mm=2500.0, tracks_mm=EXACTLY, span_mm=3600.0)
    found = strings.left if side == "L" else strings.right
    assert not found.parallel
    through, along = lines[side].line(CAR)
    q = side_of(side)
    ends = {"front": through + along * 1800.0, "rear": through - along * 1800.0}
    ends[found.end] = ends[found.end] + np.array([0.0, q * found.move_mm.value])
    now = ends["front"] - ends["rear"]
    assert np.degrees(np.arctan2(-q * now[1], now[0])) == pytest.approx(0.0, abs=0.002)
    front, rear = Wheel(side + "F"), Wheel(side + "R")
    offsets = offsets_of(lines)
    for changed in ({front: found.front_should_be_mm}, {rear: found.rear_should_be_mm}):
        again = strings_of({**offsets, **changed}, wheelbase_mm=2500.0, tracks_mm=EXACTLY)
        mended = again.left if side == "L" else again.right
        assert mended.toe_deg.value == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("name", WHEELS)
def test_a_string_angle_given_with_the_reading_counts_once(name: str) -> None:
    """The string was taken as 0.25 deg when toe was read, and is found to be 0.40."""
    lines = strings_in_space(0.4, 0.4)
    strings = strings_of(offsets_of(lines), wheelbase_mm=2500.0, tracks_mm=EXACTLY)
    wheel = CAR.wheels[name]
    against_string = wheel.toe - 0.4
    reading = made(Quantity.TOE, against_string + 0.25, string=0.03, noise=0.01)
    toe = against_car_line(reading, strings, Wheel(name), 0.25)
    assert toe.value == pytest.approx(wheel.toe, abs=1e-6)


@pytest.mark.parametrize("name", WHEELS)
def test_half_a_turn_takes_the_runout_out(name: str) -> None:
    """A rim askew by 0.2 deg, rolled: toe by its touches, camber by its plane, in space."""
    wheel = CAR.wheels[name]
    line = StringInSpace(name[0], 150.0, 0.0)

    def read(roll: float):
        front, rear = rim_touches(CAR, wheel, 420.0, askew=0.2, roll=roll)
        value = toe_deg(line.offset(CAR, front), line.offset(CAR, rear), 420.0)
        return made(Quantity.TOE, value, noise=0.01, runout=0.05)

    for start in (0.0, 35.0, 110.0):
        pair = half_turn(read(start), read(start + 180.0), rim_mm=420.0)
        assert pair.result.value == pytest.approx(wheel.toe, abs=2e-4)
        assert abs(pair.swing_deg.value) <= 0.2001
    four = rolled([(phi, read(20.0 + phi)) for phi in (0.0, 90.0, 180.0, 270.0)], rim_mm=420.0)
    assert four.result.value == pytest.approx(wheel.toe, abs=2e-4)
    assert four.swing_deg.value == pytest.approx(0.2, abs=5e-4)
    assert four.swing_mm is not None
    # What a dial gauge at the rim's edge would show: sideways swing of a point 210 mm out.
    swing = [
        float((rim_touches(CAR, wheel, 420.0, 0.2, phi)[0] - CAR.hub(name)) @ wheel.spin())
        for phi in np.arange(0.0, 360.0, 5.0)
    ]
    assert four.swing_mm.value == pytest.approx(max(swing) - min(swing), rel=0.01)
