"""Every number that docs/alignment-theory.md works by hand.

Each expected figure is written out here as the document prints it, and must stand there: the
arithmetic is the pocket calculator's, nothing of the program's is used for it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from alignment.figures import made, u_of, worked
from knuckle.alignment.adjusters import (
    Kind,
    by_geometry,
    camber_by_shim_deg,
    caster_by_joint_deg,
    toe_by_length_deg,
    toe_by_tilt_deg,
)
from knuckle.alignment.advice import advise
from knuckle.alignment.axle import WheelToe, about_thrust_line, front_targets, thrust_offset_mm
from knuckle.alignment.compare import Difference, compare
from knuckle.alignment.half_turn import half_turn
from knuckle.alignment.pads import on_these_pads, pads_of, shim_table, stack_of
from knuckle.alignment.pair import included_angle, wheelbase_pair
from knuckle.alignment.sensitivity import Made, joined, measured
from knuckle.alignment.shared import Origin
from knuckle.alignment.strings import against_car_line, strings_of
from knuckle.alignment.toe_units import in_all_units, toe_deg_of_mm
from knuckle.alignment.travel import Station, curve_of, mm_per_mm
from knuckle.alignment.turn_out import BothHeadings, toe_out_on_turns
from knuckle.estimate.priors import Given
from knuckle.model.car import (
    CamberShim,
    CasterAdjuster,
    ShimPlace,
    Side,
    Target,
    Thread,
    ToeLink,
)
from knuckle.model.result import Quantity
from knuckle.model.wheel import Wheel

LF, RF, LR, RR = Wheel
TOE, CAMBER, SAI, CASTER = Quantity.TOE, Quantity.CAMBER, Quantity.SAI, Quantity.CASTER


def says(section: int, text: str, value: float, abs: float | None = None) -> None:
    """Check that the document prints `text`, and that `value` is that number."""
    assert text in worked(section), f"section {section} does not print {text}"
    digits = len(text.partition(".")[2])
    assert value == pytest.approx(float(text), abs=0.501 * 10.0**-digits if abs is None else abs)


def test_pads() -> None:
    pads = pads_of(
        {LF: 12.0, RF: 4.0, LR: 9.0, RR: 0.0},
        0.5,
        wheelbase_mm=2500.0,
        track_front_mm=1500.0,
        track_rear_mm=1480.0,
    )
    says(2, "0.3056", pads.front_across_deg.value)
    says(2, "0.3484", pads.rear_across_deg.value)
    says(2, "0.0802", pads.along_deg.value)
    says(2, "0.0270", pads.front_across_deg.standard_uncertainty)
    says(2, "0.0115", pads.along_deg.standard_uncertainty)
    says(2, "0.0428", -pads.warp_deg)
    says(2, "0.0274", pads.rear_across_deg.standard_uncertainty)
    says(2, "0.0385", math.hypot(0.02701, 0.02737))
    says(2, "0.0109", math.sqrt((0.04284**2 - 0.03845**2) / 3.0))
    says(2, "0.0291", pads.across_deg(LF).standard_uncertainty)
    assert [shim.needed_mm for shim in shim_table(pads).values()] == [0.0, 8.0, 3.0, 12.0]
    assert "| shim to level it, mm | 0.0 | 8.0 | 3.0 | 12.0 |" in worked(2)
    gravity = "relative to gravity"
    for wheel, readings, expected in (
        (LF, (-1.5, 5.0, 12.3), ("-1.1944", "4.9137", "11.9932")),
        (RF, (-1.8, 5.0, 12.1), ("-2.1056", "4.9249", "12.4044")),
    ):
        results = {
            q: made(q, x, gravity, pads=0.1, noise=0.02)
            for q, x in zip((CAMBER, CASTER, SAI), readings, strict=True)
        }
        done = on_these_pads(results, pads, wheel)
        for quantity, text in zip((CAMBER, CASTER, SAI), expected, strict=True):
            says(2, text, done[quantity].value)
        by_first_order = {
            CAMBER: readings[0] + wheel.side * pads.front_across_deg.value,
            CASTER: readings[1] - pads.along_deg.value,
            SAI: readings[2] - wheel.side * pads.front_across_deg.value,
        }
        for quantity, value in by_first_order.items():
            says(2, f"{value:.4f}", done[quantity].value, abs=0.007)
        assert u_of(done[CAMBER], "pads") == pytest.approx(0.0291, abs=1e-4)
        assert u_of(done[CASTER], "pads") == pytest.approx(0.0115, abs=1e-3)


def test_strings() -> None:
    strings = strings_of(
        {LF: 152.0, LR: 160.0, RF: 148.0, RR: 158.0},
        wheelbase_mm=2500.0,
        tracks_mm=(Given(1500.0, 0.0), Given(1480.0, 0.0)),
        offset_u_mm=0.3,
    )
    left, right = strings.left, strings.right
    says(3, "-0.0458", left.toe_deg.value)
    says(3, "2.00", left.move_mm.value)
    says(3, "150.0", left.front_should_be_mm)
    says(3, "162.0", left.rear_should_be_mm)
    says(3, "0.0097", left.toe_deg.standard_uncertainty)
    assert (left.end, left.parallel, right.parallel) == ("rear", False, True)
    assert right.toe_deg.value == pytest.approx(0.0, abs=1e-9)
    for wheel in (LF, LR):
        toe = against_car_line(made(TOE, 0.2, string=0.03, touch=0.01), strings, wheel)
        says(3, "0.1542", toe.value)
        assert u_of(toe, "string") == pytest.approx(0.0097, abs=1e-4)
        assert u_of(toe, "touch") == 0.01


def test_toe_of_a_wheel() -> None:
    """The check value 3 mm over 400 mm = 0.4297 deg is given from outside: plain trigonometry."""
    toe = toe_deg_of_mm(3.0, 400.0)
    says(4, "0.4297", toe)
    figure = in_all_units(toe, 400.0)
    says(4, "25.78", figure.minutes)
    says(4, "3.00", figure.mm)
    says(4, "0.1181", figure.inches)
    assert in_all_units(2.0 * toe, 400.0, wheels=2).mm == pytest.approx(6.0)
    says(4, "0.0075", math.degrees(math.asin(2.0 * math.tan(math.radians(1.5)) / 400.0)))


def test_half_a_turn() -> None:
    first = made(TOE, 0.26, runout=0.05, touch=0.02, string=0.03)
    second = made(TOE, 0.14, runout=0.05, touch=0.02, string=0.03)
    found = half_turn(first, second, rim_mm=400.0)
    says(4, "0.20", found.result.value)
    says(4, "0.06", found.swing_deg.value)
    assert found.swing_mm is not None
    says(4, "0.42", found.swing_mm.value)
    assert "0.0436" in worked(4)
    assert u_of(found.result, "runout") == pytest.approx(0.0436 * 0.06, rel=1e-3)
    assert u_of(found.result, "string") == pytest.approx(0.03)
    assert u_of(found.result, "touch") == pytest.approx(0.02 / math.sqrt(2.0))


def test_axles() -> None:
    toes = {LF: 0.30, RF: 0.10, LR: 0.05, RR: 0.25}
    wheels = [WheelToe(made(TOE, x, touch=0.01), Origin(w)) for w, x in toes.items()]
    centred = about_thrust_line(*wheels)
    assert centred.front.total.value == pytest.approx(0.40)
    assert centred.rear.total.value == pytest.approx(0.30)
    assert "| thrust angle | (0.25 - 0.05)/2 | 0.10 to the left |" in worked(5)
    assert centred.rear.heading.value == pytest.approx(0.10)
    assert centred.left.value == pytest.approx(0.40)
    assert centred.right.value == pytest.approx(0.00)
    assert centred.each.value == pytest.approx(0.20)
    assert "| -0.20: to the right |" in worked(5)
    assert centred.off_centre.value == pytest.approx(-0.20)
    aims = front_targets(Target(0.4, 0.3, 0.5), centred.rear.heading.value)
    assert aims[LF] == Target(pytest.approx(0.10), pytest.approx(0.05), pytest.approx(0.15))
    assert aims[RF] == Target(pytest.approx(0.30), pytest.approx(0.25), pytest.approx(0.35))
    says(5, "4.36", thrust_offset_mm(0.10, 2500.0))


@pytest.mark.parametrize(
    ("caster", "sai", "camber", "total", "between"),
    [(5.0, 12.0, -1.5, "10.500", "10.461"), (7.0, 14.0, -2.0, "12.000", "11.914")],
)
def test_included_angle(caster: float, sai: float, camber: float, total: str, between: str) -> None:
    results = {SAI: made(SAI, sai, zero=0.1, pads=0.1), CAMBER: made(CAMBER, camber, pads=0.1)}
    found = included_angle(results, Origin(LF))
    assert found is not None
    says(6, total, found.value)
    assert u_of(found, "pads") == 0.0
    c, s, g = np.radians([caster, sai, camber])
    axis = np.array([-np.tan(c), -np.tan(s), 1.0])
    spin = np.array([0.0, np.cos(g), -np.sin(g)])
    says(6, between, math.degrees(math.acos(axis @ spin / np.linalg.norm(axis))) - 90.0)


def test_wheelbase() -> None:
    found = wheelbase_pair(Given(2503.0, 1.0), Given(2497.0, 1.0), 1500.0)
    says(6, "6.0", found.difference.value)
    says(6, "0.2292", found.setback.value)
    says(6, "1.414", found.difference.standard_uncertainty)
    says(6, "0.0540", found.setback.standard_uncertainty)


def test_toe_out_on_turns() -> None:
    at_20 = toe_out_on_turns([BothHeadings(20.0, 16.6326), BothHeadings(-16.6326, -20.0)])
    assert set(at_20) == {Quantity.TURN_OUT_LEFT, Quantity.TURN_OUT_RIGHT}
    for result in at_20.values():
        says(7, "3.3674", result.value, abs=1e-4)
        assert u_of(result, "fit") == 0.0
    at_18 = toe_out_on_turns([BothHeadings(18.0, 15.2115)])
    says(7, "3.3674", at_18[Quantity.TURN_OUT_LEFT].value, abs=2e-4)
    says(7, "0.1944", u_of(at_18[Quantity.TURN_OUT_LEFT], "fit"))


def test_tie_rods() -> None:
    for thread, text in ((Thread.SINGLE, "0.7284"), (Thread.SLEEVE, "1.4568")):
        longer = 1.5 if thread is Thread.SINGLE else 3.0
        behind = toe_by_length_deg(ToeLink(1.5, thread, 118.0, Side.BEHIND), longer)
        ahead = toe_by_length_deg(ToeLink(1.5, thread, 118.0, Side.AHEAD), longer)
        says(8, f"+{text}", behind)
        says(8, f"-{text}", ahead)
    link = ToeLink(1.5, Thread.SINGLE, 118.0, Side.BEHIND)
    reading = made(TOE, 0.77, touch=0.02)
    advice = advise(LF, Kind.TOE_LINK, reading, Target(0.2, 0.15, 0.25), by_geometry(link))
    assert advice.amount is not None
    says(8, "0.783", -advice.amount.value)
    assert "shorter" in advice.words


def test_shims() -> None:
    upper = CamberShim(245.0, ShimPlace.UPPER)
    says(9, "0.2339", camber_by_shim_deg(upper, 1.0))
    assert camber_by_shim_deg(CamberShim(245.0, ShimPlace.LOWER), 1.0) == pytest.approx(
        -0.2339, abs=5e-5
    )
    reading = made(CAMBER, -3.0, noise=0.05)
    target = Target(-1.5, -1.6, -1.4)
    exact = advise(LF, Kind.CAMBER_SHIM, reading, target, by_geometry(upper))
    assert exact.amount is not None
    says(9, "6.41", exact.amount.value)
    sizes = (0.5, 1.0, 2.0, 4.0)
    assert stack_of(6.41, sizes) == (4.0, 2.0, 0.5)
    assert "4 + 2 + 0.5" in worked(9)
    advice = advise(LF, Kind.CAMBER_SHIM, reading, target, by_geometry(upper), sizes_mm=sizes)
    assert advice.sizes_mm == (4.0, 2.0, 0.5)
    assert advice.words == "Add 6.50 mm of shims (4 + 2 + 0.5 mm)."
    link = ToeLink(1.5, Thread.SINGLE, 118.0, Side.BEHIND)
    says(9, "0.785", 30.0 * math.sin(math.radians(1.5)))
    says(9, "-0.381", toe_by_tilt_deg(link, 1.5, 30.0))


def test_caster() -> None:
    upper = CasterAdjuster(1.75, 330.0, True)
    says(10, "0.3039", caster_by_joint_deg(upper, 1.75, 4.0))
    advice = advise(
        LF, Kind.CASTER, made(CASTER, 4.0, noise=0.05), Target(4.5, 4.4, 4.6), by_geometry(upper)
    )
    assert advice.amount is not None
    says(10, "1.65", advice.amount.value)
    assert {effect.change_deg for effect in advice.side_effects} == {None}


def test_the_cars_own_answer() -> None:
    link = by_geometry(ToeLink(1.5, Thread.SINGLE, 118.0, Side.BEHIND))
    says(11, "0.7283", link.per_unit.value)
    says(11, "0.0728", link.per_unit.standard_uncertainty)
    done = Made(Given(1.0, 0.05), made(TOE, 0.6, noise=0.03))
    by_car = measured(done, "turn")
    assert by_car is not None
    says(11, "0.6000", by_car.per_unit.value)
    says(11, "0.0461", by_car.per_unit.standard_uncertainty)
    both = joined(link, [done]).sensitivity
    assert both is not None
    says(11, "0.6367", both.per_unit.value)
    says(11, "0.0580", both.per_unit.standard_uncertainty)


def test_travel() -> None:
    camber = [-0.62, -1.04, -1.50, -1.94, -2.40]
    heights = [-40.0, -20.0, 0.0, 20.0, 40.0]
    curve = curve_of(
        CAMBER, [Station(h, c, 0.0, 0.02) for h, c in zip(heights, camber, strict=True)]
    )
    gain = curve.slope_at()
    assert curve.order == 1
    says(12, "-0.0223", gain.value)
    says(12, "0.000316", gain.standard_uncertainty)
    says(12, "1.1", curve.chi_squared)
    assert curve.residuals_deg == pytest.approx([-0.012, 0.014, 0.0, 0.006, -0.008], abs=1e-9)
    assert gain.unit == "deg/mm"
    toe = curve_of(TOE, [Station(h, 0.1 + 0.002 * h, 0.0, 0.01) for h in heights]).slope_at()
    says(12, "0.01396", mm_per_mm(toe, 400.0))


def test_before_and_after() -> None:
    sources = {"mount": 0.20, "pads": 0.10, "calibration": 0.05, "noise": 0.02}
    before, after = made(CAMBER, -1.5, **sources), made(CAMBER, -0.9, **sources)
    says(13, "0.451", before.expanded_uncertainty)
    here = Origin(LF, pod="p", mounting="m", pads="f")
    found = compare(before, after, here, here)
    says(13, "0.0286", u_of(found.difference, "mount"))
    says(13, "0.0051", u_of(found.difference, "calibration"))
    says(13, "0.0283", u_of(found.difference, "noise"))
    says(13, "0.0405", found.difference.standard_uncertainty)
    says(13, "0.600", found.difference.value)
    says(13, "0.079", found.difference.expanded_uncertainty)
    assert found.verdict is Difference.DIFFERS
    assert found.cancelled == ("mount", "pads", "calibration")
    anew = compare(before, after, here, Origin(LF, pod="p", mounting="n", pads="f"))
    says(13, "0.2828", u_of(anew.difference, "mount"))
    says(13, "0.56", anew.difference.expanded_uncertainty)
