"""Axles, pairs, toe-out on turns, travel, straightedge: what is refused, said, or read."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alignment.figures import made, u_of
from knuckle.alignment.axle import WheelToe, axle_toe
from knuckle.alignment.differences import read_differences
from knuckle.alignment.half_turn import half_turn, rolled
from knuckle.alignment.pads import on_these_pads, pads_of, shim_table
from knuckle.alignment.pair import Pair, SweptWheel, pair_of, wheelbase_pair
from knuckle.alignment.shared import Origin
from knuckle.alignment.straightedge import Span, pads_by_straightedge, slope_by_reversal
from knuckle.alignment.strings import Widths, strings_of
from knuckle.alignment.travel import Station, curve_of, station_of
from knuckle.alignment.turn_out import BothHeadings, headings_together, toe_out_on_turns
from knuckle.errors import MeasurementRefused, UsageError
from knuckle.estimate.priors import Given
from knuckle.model.result import Outcome, PlacedRest, Position, Quantity, Result
from knuckle.model.wheel import Wheel

LF, RF, LR, RR = Wheel
CAMBER, CASTER, SAI, TOE = Quantity.CAMBER, Quantity.CASTER, Quantity.SAI, Quantity.TOE
CAR = {"wheelbase_mm": 2500.0, "track_front_mm": 1500.0, "track_rear_mm": 1480.0}


def codes(pair: Pair, **more: object) -> list[str]:
    return [notice.code for notice in read_differences(pair, **more)]  # type: ignore[arg-type]


def swept(wheel: Wheel, camber: float, caster: float, sai: float, u: float = 0.05) -> SweptWheel:
    figures = {CAMBER: camber, CASTER: caster, SAI: sai}
    return SweptWheel({q: made(q, x, noise=u) for q, x in figures.items()}, Origin(wheel))


def both(left: tuple[float, float, float], right: tuple[float, float, float], u: float = 0.05):
    return pair_of(swept(LF, *left, u), swept(RF, *right, u))


GOOD = (-1.5, 5.0, 12.0)


def test_alike_sides_point_to_nothing() -> None:
    assert codes(both(GOOD, (-1.4, 5.1, 11.9))) == []


def test_a_bent_knuckle() -> None:
    """Camber off by 1.2, inclination alike: the included angle is not the other side's."""
    pair = both(GOOD, (-0.3, 5.0, 12.0))
    assert codes(pair) == ["KNUCKLE_DIFFERS"]
    assert "larger on the right" in read_differences(pair)[0].text


def test_a_tilted_knuckle() -> None:
    """Its top 1.2 deg further out: camber gains what inclination loses."""
    pair = both(GOOD, (-0.3, 5.0, 10.8))
    assert codes(pair) == ["KNUCKLE_TILTED"]
    assert "larger on the left and camber is smaller there" in read_differences(pair)[0].text


def test_the_same_with_coarse_readings_says_nothing() -> None:
    assert codes(both(GOOD, (-0.3, 5.0, 10.8), u=1.0)) == []


@pytest.mark.parametrize(
    ("left_mm", "right_mm", "expected"),
    [
        (2500.0, 2500.0, ["CASTER_DIFFERS"]),
        (2508.0, 2500.0, ["WHEELBASE_DIFFERS", "LOWER_JOINT_BACK"]),
        (2492.0, 2500.0, ["WHEELBASE_DIFFERS", "UPPER_JOINT_AHEAD"]),
    ],
)
def test_caster_with_the_wheelbases(left_mm: float, right_mm: float, expected: list[str]) -> None:
    pair = both(GOOD, (-1.5, 3.5, 12.0))
    bases = wheelbase_pair(Given(left_mm, 1.0), Given(right_mm, 1.0), 1500.0)
    assert codes(pair, wheelbase=bases) == expected
    assert codes(pair) == ["CASTER_DIFFERS"]


def test_a_wheelbase_that_was_taped_is_not_asked_for_again() -> None:
    pair = both(GOOD, (-1.5, 3.5, 12.0))
    (unknown,) = read_differences(pair)
    assert "measure the wheelbase" in unknown.text
    bases = wheelbase_pair(Given(2500.0, 1.0), Given(2500.0, 1.0), 1500.0)
    (taped,) = read_differences(pair, wheelbase=bases)
    # 1.96 x sqrt(2) x 1 mm.
    assert "measure" not in taped.text and "alike, as far as +- 2.8 mm tells" in taped.text


def test_a_knuckle_is_called_whole_only_where_the_included_angles_are_shown_alike() -> None:
    assert "is whole" in read_differences(both(GOOD, (-0.3, 5.0, 10.8)))[0].text
    # U of the cross included angle is 1.96 x 0.2 x 2 = 0.78 deg: a bend of 0.7 deg may hide.
    (coarse,) = read_differences(both(GOOD, (-0.3, 5.0, 10.8), u=0.2))
    assert coarse.code == "KNUCKLE_TILTED"
    assert "whole" not in coarse.text and "nothing says that it is bent" in coarse.text


def test_toe_out_that_is_not_alike() -> None:
    pair = both(GOOD, GOOD)
    left = toe_out_on_turns([BothHeadings(20.0, 17.5)])
    right = toe_out_on_turns([BothHeadings(-18.5, -20.0)])
    assert codes(pair, turn_out={**left, **right}) == ["TURN_OUT_DIFFERS"]
    alike = toe_out_on_turns([BothHeadings(-17.5, -20.0)])
    assert codes(pair, turn_out={**left, **alike}) == []


def rest(start: float, end: float, steer: float | None) -> PlacedRest:
    return PlacedRest(Position.STRAIGHT, start, end, -1.0, 0.1, steer)


def test_rests_of_two_pods_are_laid_side_by_side() -> None:
    left = Outcome("sweep", "LF", {}, (rest(0, 3, 0.0), rest(6, 9, 20.0), rest(12, 15, -17.0)))
    right = Outcome(
        "sweep", "RF", {}, (rest(100, 103, 0.0), rest(106.5, 109, 18.0), rest(118, 120, -20.0))
    )
    assert headings_together(left, right, -100.0) == [
        BothHeadings(0.0, 0.0),
        BothHeadings(20.0, 18.0),
    ]


def test_toe_out_needs_rests_near_twenty_degrees() -> None:
    with pytest.raises(MeasurementRefused) as refused:
        toe_out_on_turns([BothHeadings(10.0, 9.5), BothHeadings(-3.0, 4.0)])
    assert refused.value.code == "TURN_OUT_MISSING"


def test_one_gyro_for_both_wheels_leaves_little_of_its_scale() -> None:
    read = [BothHeadings(20.0, 18.0)]
    two = toe_out_on_turns(read, scale_u=0.03)[Quantity.TURN_OUT_LEFT]
    one = toe_out_on_turns(read, scale_u=0.03, same_gyro=True)[Quantity.TURN_OUT_LEFT]
    assert u_of(two, "gyro_calibration") > 0.7
    assert u_of(one, "gyro_calibration") < 0.1


@pytest.mark.parametrize("bend", [0.0, 3e-4])
def test_the_order_of_a_curve_is_what_the_readings_support(bend: float) -> None:
    rng = np.random.default_rng(4)
    orders = []
    for _ in range(60):
        stations = [
            Station(h, -0.02 * h + bend * h**2 + rng.normal(0.0, 0.02), 0.0, 0.02)
            for h in np.linspace(-40.0, 40.0, 9)
        ]
        orders.append(curve_of(CAMBER, stations).order)
    right = 1 if bend == 0.0 else 2
    assert orders.count(right) >= 55


def test_a_curve_that_scatters_more_is_widened() -> None:
    rng = np.random.default_rng(2)
    stations = [
        Station(h, 0.002 * h + rng.normal(0.0, 0.05), 0.0, 0.005) for h in range(-40, 50, 10)
    ]
    curve = curve_of(TOE, stations, order=1)
    assert curve.widened > 3.0
    gain = curve.slope_at()
    assert gain.coverage_factor > 2.2
    assert gain.standard_uncertainty == pytest.approx(
        curve.widened * 0.005 / math.sqrt(sum(h**2 for h in range(-40, 50, 10))), rel=1e-6
    )


def test_a_heights_uncertainty_counts_by_the_slope() -> None:
    def gain(u: float) -> Result:
        return curve_of(
            CAMBER, [Station(h, -0.02 * h, u, 0.01) for h in (-40.0, -20.0, 0.0, 20.0, 40.0)]
        ).slope_at()

    ratio = gain(1.0).standard_uncertainty / gain(0.0).standard_uncertainty
    assert ratio == pytest.approx(math.hypot(0.01, 0.02) / 0.01, rel=1e-3)


def test_what_a_reading_shares_moves_the_curve_and_not_its_slope() -> None:
    reading = made(CAMBER, -1.5, noise=0.03, scatter=0.04, mount=0.2, pads=0.1)
    station, shared = station_of(Given(20.0, 0.5), reading)
    assert station == Station(20.0, -1.5, 0.5, pytest.approx(0.05))
    assert shared == pytest.approx(math.hypot(0.2, 0.1))


@pytest.mark.parametrize(
    ("heights", "code"), [((0.0, 20.0), "TRAVEL_TOO_FEW"), ((0.0, 3.0, 6.0), "TRAVEL_TOO_SHORT")]
)
def test_travel_that_tells_nothing(heights: tuple[float, ...], code: str) -> None:
    with pytest.raises(MeasurementRefused) as refused:
        curve_of(TOE, [Station(h, 0.0, 0.5, 0.01) for h in heights])
    assert refused.value.code == code


def test_a_straightedge_that_contradicts_itself_is_told() -> None:
    """One span misread by 0.2 deg: 5 mm over 1.5 m, where the readings are good to 0.6."""
    slopes = {span: Given(0.0, 0.02) for span in Span}
    slopes[Span.FRONT] = Given(0.2, 0.02)
    laid = pads_by_straightedge(slopes, **CAR)
    assert not laid.consistent
    assert laid.misclosure_mm == pytest.approx(1500.0 * math.tan(math.radians(0.2)))
    alike = pads_by_straightedge({s: Given(0.0, 0.02) for s in Span}, **CAR)
    assert alike.consistent
    assert laid.pads.front_across_deg.standard_uncertainty > 2.0 * (
        alike.pads.front_across_deg.standard_uncertainty
    )
    with pytest.raises(UsageError, match="fewer than three"):
        pads_by_straightedge({Span.FRONT: Given(0.0, 0.02)}, **CAR)


def test_reversal_takes_the_zero_out() -> None:
    """Slope 0.30, zero 0.12: reads 0.42, end for end -0.18."""
    slope, zero = slope_by_reversal(Given(0.42, 0.03), Given(-0.18, 0.04))
    assert (slope.value, zero.value) == (pytest.approx(0.30), pytest.approx(0.12))
    assert slope.standard_uncertainty == pytest.approx(0.025)


def test_pads_that_are_already_in_are_left_alone() -> None:
    pads = pads_of({LF: 10.0, RF: 0.0, LR: 10.0, RR: 0.0}, 0.5, **CAR)
    done = made(CAMBER, -1.0, "relative to the pads", pads=0.02, noise=0.01)
    toe = made(TOE, 0.1, noise=0.01)
    assert on_these_pads({CAMBER: done, TOE: toe}, pads, LF) == {CAMBER: done, TOE: toe}


def test_shims_within_the_levels_uncertainty_are_not_worth_it() -> None:
    pads = pads_of({LF: 0.0, RF: 0.0, LR: 0.5, RR: 8.0}, 0.5, **CAR)
    table = shim_table(pads, (1.0, 3.0))
    assert table[LF].sizes_mm == (3.0, 3.0, 1.0, 1.0)
    assert table[LF].worth_it
    assert not table[RR].worth_it
    near = shim_table(pads_of({LF: 0.0, RF: 1.0, LR: 1.0, RR: 1.0}, 0.5, **CAR))
    assert not near[LF].worth_it


@pytest.mark.parametrize(
    "heights",
    [
        {LF: 0.0, RF: 0.0, LR: 0.0},
        {LF: math.nan, RF: 0.0, LR: 0.0, RR: 0.0},
        {LF: 400.0, RF: 0.0, LR: 0.0, RR: 0.0},
    ],
)
def test_heights_that_cannot_be(heights: dict[Wheel, float]) -> None:
    with pytest.raises(UsageError) as error:
        pads_of(heights, 0.5, **CAR)
    assert error.value.next_step


def test_strings_that_cannot_be() -> None:
    offsets = {LF: 150.0, RF: 150.0, LR: 160.0, RR: 160.0}
    with pytest.raises(UsageError, match="converge"):
        strings_of(offsets, wheelbase_mm=2500.0)
    with pytest.raises(UsageError, match="LF"):
        strings_of({**offsets, LF: math.inf}, wheelbase_mm=2500.0)
    tracks = (Given(1500.0, 2.0), Given(1480.0, 2.0))
    with pytest.raises(UsageError, match="above zero"):
        strings_of(offsets, wheelbase_mm=0.0, tracks_mm=tracks)
    with pytest.raises(UsageError, match="5 deg"):
        strings_of({**offsets, LF: 500.0}, wheelbase_mm=2500.0, tracks_mm=tracks)


def test_tracks_and_widths_that_contradict_each_other() -> None:
    offsets = {LF: 150.0, RF: 150.0, LR: 160.0, RR: 160.0}
    tracks = (Given(1500.0, 1.0), Given(1480.0, 1.0))
    good = strings_of(
        offsets, wheelbase_mm=2500.0, tracks_mm=tracks, widths=Widths(1800.0, 1800.0, 2500.0)
    )
    assert good.consistent
    assert good.left.parallel
    bad = strings_of(
        offsets, wheelbase_mm=2500.0, tracks_mm=tracks, widths=Widths(1800.0, 1830.0, 2500.0)
    )
    assert not bad.consistent
    assert bad.left.toe_deg.standard_uncertainty > 3.0 * good.left.toe_deg.standard_uncertainty


def test_rim_positions_too_close_to_tell() -> None:
    toe = made(TOE, 0.2, touch=0.01)
    with pytest.raises(MeasurementRefused) as refused:
        rolled([(0.0, toe), (10.0, toe), (20.0, toe)])
    assert refused.value.code == "RIM_POSITIONS"
    with pytest.raises(ValueError, match="one quantity"):
        half_turn(toe, made(CAMBER, 0.2, touch=0.01))


def test_what_is_no_axle_or_pair() -> None:
    toe = made(TOE, 0.2, touch=0.01)
    for left, right in ((RF, LF), (LF, RR), (LF, LR)):
        with pytest.raises(ValueError, match="axle"):
            axle_toe(WheelToe(toe, Origin(left)), WheelToe(toe, Origin(right)))
        with pytest.raises(ValueError, match="pair"):
            pair_of(swept(left, *GOOD), swept(right, *GOOD))
    with pytest.raises(ValueError, match="track"):
        wheelbase_pair(Given(2500.0, 1.0), Given(2500.0, 1.0), 0.0)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(
    st.floats(-0.05, 0.05),
    st.floats(-4e-4, 4e-4),
    st.floats(-2.0, 2.0),
)
def test_curves_upside_down_and_in_other_units(slope, bend, level) -> None:
    """A curve that is exactly of order two comes back; mirrored in height; in other units."""
    heights = np.array([-50.0, -30.0, -10.0, 0.0, 15.0, 35.0, 55.0])
    values = level + slope * heights + bend * heights**2

    def fit(unit: float):
        stations = [
            Station(h * unit, v, 0.2 * abs(unit), 0.01)
            for h, v in zip(heights, values, strict=True)
        ]
        return curve_of(Quantity.CAMBER, stations, order=2)

    curve, mirrored, halves = fit(1.0), fit(-1.0), fit(0.5)
    assert curve.coefficients == pytest.approx([level, slope, bend], abs=1e-9)
    assert curve.slope_at().value == pytest.approx(-mirrored.slope_at().value, abs=1e-9)
    assert halves.slope_at().value == pytest.approx(2.0 * curve.slope_at().value, abs=1e-9)
    assert halves.slope_at().standard_uncertainty == pytest.approx(
        2.0 * curve.slope_at().standard_uncertainty
    )
