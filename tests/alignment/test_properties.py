"""The same answer for the mirrored car, with ends swapped, in other units; and inverses."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alignment.figures import made
from alignment.test_advice import rounds
from alignment.test_linkages import toe_in_space
from knuckle.alignment.adjusters import (
    Kind,
    by_geometry,
    camber_by_shim_deg,
    caster_by_joint_deg,
    toe_by_length_deg,
)
from knuckle.alignment.advice import advise
from knuckle.alignment.axle import WheelToe, about_thrust_line
from knuckle.alignment.pads import Pads, after_shims, on_these_pads, pads_of, shim_table, stack_of
from knuckle.alignment.pair import SweptWheel, pair_of
from knuckle.alignment.shared import Origin
from knuckle.alignment.straightedge import Span, pads_by_straightedge
from knuckle.alignment.strings import Strings, Widths, strings_of
from knuckle.alignment.toe_units import in_all_units, toe_deg_of_mm, toe_mm
from knuckle.alignment.turn_out import BothHeadings, toe_out_on_turns
from knuckle.estimate.priors import Given
from knuckle.geometry.pads import against_pads
from knuckle.geometry.toe import Along
from knuckle.model.car import CamberShim, CasterAdjuster, ShimPlace, Side, Target, Thread, ToeLink
from knuckle.model.result import SWEPT, Quantity
from knuckle.model.wheel import Wheel

LF, RF, LR, RR = Wheel
MIRRORED = {LF: RF, RF: LF, LR: RR, RR: LR}
SWAPPED = {LF: LR, LR: LF, RF: RR, RR: RF}
TURNED_ROUND = {LF: RR, RR: LF, RF: LR, LR: RF}
quick = settings(max_examples=60, deadline=None, derandomize=True)
few = settings(max_examples=15, deadline=None, derandomize=True)
height = st.floats(-15.0, 15.0)
four = st.tuples(height, height, height, height).map(lambda h: dict(zip(Wheel, h, strict=True)))
lean = st.floats(-4.0, 4.0)


def seen(values: Mapping[Wheel, float], by: Mapping[Wheel, Wheel]) -> dict[Wheel, float]:
    return {by[wheel]: value for wheel, value in values.items()}


def lay(heights: Mapping[Wheel, float], tracks: tuple[float, float], unit: float = 1.0) -> Pads:
    return pads_of(
        {w: h * unit for w, h in heights.items()},
        0.4 * unit,
        wheelbase_mm=2500.0 * unit,
        track_front_mm=tracks[0] * unit,
        track_rear_mm=tracks[1] * unit,
    )


def corrected(pads: Pads, wheel: Wheel, values: tuple[float, float, float], toe: float = 0.0):
    results = {
        q: made(q, x, "relative to gravity", noise=0.05) for q, x in zip(SWEPT, values, strict=True)
    }
    done = on_these_pads(results, pads, wheel, toe)
    return [(done[q].value, done[q].expanded_uncertainty) for q in SWEPT]


@few
@given(four, lean, st.floats(-2.0, 10.0), st.floats(5.0, 16.0), st.floats(-1.0, 1.0))
def test_pads_of_the_mirrored_car(heights, camber, caster, sai, toe) -> None:
    pads, other = lay(heights, (1500.0, 1480.0)), lay(seen(heights, MIRRORED), (1500.0, 1480.0))
    for wheel in Wheel:
        one = corrected(pads, wheel, (camber, caster, sai), toe)
        two = corrected(other, MIRRORED[wheel], (camber, caster, sai), toe)
        assert np.allclose(one, two, atol=1e-12)


@few
@given(four, lean)
def test_pads_of_the_car_turned_round(heights, camber) -> None:
    """Left front stands where right rear stood: camber knows no front."""
    pads = lay(heights, (1500.0, 1480.0))
    other = lay(seen(heights, TURNED_ROUND), (1480.0, 1500.0))
    for wheel in Wheel:
        one = corrected(pads, wheel, (camber, 0.0, 0.0))[0]
        two = corrected(other, TURNED_ROUND[wheel], (camber, 0.0, 0.0))[0]
        assert np.allclose(one, two, atol=1e-10)
    assert pads.along_deg.value == pytest.approx(-other.along_deg.value)


@few
@given(four, lean)
def test_pads_in_inches_and_measured_downwards(heights, camber) -> None:
    pads = lay(heights, (1500.0, 1480.0))
    inches = lay(heights, (1500.0, 1480.0), 1.0 / 25.4)
    downwards = pads_of(
        {w: 1000.0 - h for w, h in heights.items()},
        0.4,
        wheelbase_mm=2500.0,
        track_front_mm=1500.0,
        track_rear_mm=1480.0,
        downwards=True,
    )
    values = (camber, 5.0, 12.0)
    for other in (inches, downwards):
        for wheel in Wheel:
            assert np.allclose(
                corrected(pads, wheel, values), corrected(other, wheel, values), atol=1e-9
            )


@quick
@given(four)
def test_shims_make_the_pads_level(heights) -> None:
    pads = lay(heights, (1500.0, 1480.0))
    table = shim_table(pads)
    level = after_shims(
        pads,
        {w: s.laid_mm for w, s in table.items()},
        wheelbase_mm=2500.0,
        track_front_mm=1500.0,
        track_rear_mm=1480.0,
    )
    for slope in (level.front_across_deg, level.rear_across_deg, level.along_deg):
        assert slope.value == pytest.approx(0.0, abs=1e-9)
    assert min(s.laid_mm for s in table.values()) == 0.0


@quick
@given(st.floats(0.0, 40.0), st.lists(st.sampled_from([0.5, 1.0, 1.5, 2.0, 4.0, 6.0]), max_size=4))
def test_a_stack_is_the_nearest_of_all(needed, sizes) -> None:
    """Against plain counting of every stack of the sizes up to the next size above."""
    stack = stack_of(needed, sizes)
    assert set(stack) <= set(sizes)
    reach = {0.0}
    for _ in range(90):
        reach |= {a + s for a in reach for s in set(sizes) if a + s <= needed + 6.0}
        if max(reach) > needed and len(reach) > 200:
            break
    nearest = min(abs(x - needed) for x in reach)
    assert abs(sum(stack) - needed) <= nearest + 0.0101


@quick
@given(st.floats(-3.0, 3.0), st.floats(-3.0, 3.0), lean, st.floats(-2.0, 10.0), st.booleans())
def test_the_correction_by_pads_has_an_inverse(across, along, camber, caster, left) -> None:
    """Pads that slope the other way, as seen from these, bring the figures back; to first order
    in the twist between them.
    """
    side = 1 if left else -1
    a, b = math.radians(across), math.radians(along)
    there = against_pads(math.radians(camber), math.radians(caster), 0.2, 0.0, (a, b), side)
    back = against_pads(*there, 0.0, (-a, -b), side)
    expected = (math.radians(camber), math.radians(caster), 0.2)
    assert back == pytest.approx(expected, abs=3.0 * abs(a * b) + 1e-4)


offset = st.floats(100.0, 180.0)
offsets = st.tuples(offset, offset, offset, offset).map(lambda h: dict(zip(Wheel, h, strict=True)))
TRACKS = (Given(1500.0, 2.0), Given(1480.0, 2.0))


def angles(strings: Strings) -> list[float]:
    return [
        x
        for side in (strings.left, strings.right)
        for x in (side.toe_deg.value, side.toe_deg.standard_uncertainty)
    ]


@quick
@given(offsets)
def test_strings_of_the_mirrored_car(distances) -> None:
    one = strings_of(distances, wheelbase_mm=2500.0, tracks_mm=TRACKS)
    two = strings_of(seen(distances, MIRRORED), wheelbase_mm=2500.0, tracks_mm=TRACKS)
    assert np.allclose(angles(one), angles(two)[2:] + angles(two)[:2], atol=1e-9)
    assert one.correlation == pytest.approx(two.correlation, abs=1e-6)


@quick
@given(offsets)
def test_strings_with_ends_swapped(distances) -> None:
    """Driven backwards, what was toe-in of a string is toe-out."""
    one = strings_of(distances, wheelbase_mm=2500.0, tracks_mm=TRACKS)
    two = strings_of(seen(distances, SWAPPED), wheelbase_mm=2500.0, tracks_mm=TRACKS[::-1])
    assert two.left.toe_deg.value == pytest.approx(-one.left.toe_deg.value, abs=1e-9)
    assert two.right.toe_deg.value == pytest.approx(-one.right.toe_deg.value, abs=1e-9)
    if abs(one.left.toe_deg.value) > 1e-6:
        assert {one.left.end, two.left.end} == {"front", "rear"}


@quick
@given(offsets, st.booleans())
def test_strings_in_inches(distances, with_widths) -> None:
    def lay_out(unit: float) -> Strings:
        widths = Widths(1800.0 * unit, 1801.0 * unit, 3800.0 * unit, 0.5 * unit)
        return strings_of(
            {w: d * unit for w, d in distances.items()},
            wheelbase_mm=2500.0 * unit,
            tracks_mm=tuple(  # type: ignore[arg-type]  # two of them
                Given(t.value * unit, t.standard_uncertainty * unit) for t in TRACKS
            ),
            widths=widths if with_widths else None,
            offset_u_mm=0.3 * unit,
        )

    assert np.allclose(angles(lay_out(1.0)), angles(lay_out(1.0 / 25.4)), atol=1e-8)


toes = st.tuples(*[st.floats(-1.0, 1.0)] * 4).map(lambda t: dict(zip(Wheel, t, strict=True)))


def car_of(values: Mapping[Wheel, float]):
    return about_thrust_line(
        *(WheelToe(made(Quantity.TOE, values[w], touch=0.01), Origin(w)) for w in Wheel)
    )


@quick
@given(toes)
def test_axles_of_the_mirrored_car(values) -> None:
    one, two = car_of(values), car_of(seen(values, MIRRORED))
    assert two.front.total.value == pytest.approx(one.front.total.value)
    assert two.rear.heading.value == pytest.approx(-one.rear.heading.value)
    assert two.off_centre.value == pytest.approx(-one.off_centre.value)
    assert two.left.value == pytest.approx(one.right.value)
    assert two.left.expanded_uncertainty == pytest.approx(one.right.expanded_uncertainty)


@quick
@given(toes, st.floats(-2.0, 2.0))
def test_turned_strings_leave_the_thrust_line_alone(values, turn) -> None:
    """Both strings turned to the left by one angle: only what is against the car's line moves."""
    moved = {w: t + w.side * turn for w, t in values.items()}
    one, two = car_of(values), car_of(moved)
    assert two.front.total.value == pytest.approx(one.front.total.value, abs=1e-9)
    assert two.left.value == pytest.approx(one.left.value, abs=1e-9)
    assert two.right.value == pytest.approx(one.right.value, abs=1e-9)
    assert two.off_centre.value == pytest.approx(one.off_centre.value, abs=1e-9)
    assert two.rear.heading.value == pytest.approx(one.rear.heading.value - turn)


@quick
@given(toes, st.floats(-20.0, 20.0))
def test_where_the_steering_stood_does_not_matter_to_the_total(values, steered) -> None:
    moved = {w: t - (w.side * steered if w.is_front else 0.0) for w, t in values.items()}
    one, two = car_of(values), car_of(moved)
    assert two.front.total.value == pytest.approx(one.front.total.value, abs=1e-9)
    assert two.each.value == pytest.approx(one.each.value, abs=1e-9)
    assert two.off_centre.value == pytest.approx(one.off_centre.value + steered)


@quick
@given(st.floats(-9.0, 9.0), st.floats(250.0, 700.0), st.sampled_from(list(Along)))
def test_toe_in_all_units_and_back(toe, over, along) -> None:
    figure = in_all_units(toe, over, along=along)
    assert toe_deg_of_mm(toe_mm(toe, over, along), over, along) == pytest.approx(toe)
    assert figure.mm == pytest.approx(figure.inches * 25.4)
    assert figure.minutes / 60.0 == pytest.approx(figure.deg)
    inches = in_all_units(toe, over / 25.4, along=along)
    assert inches.mm == pytest.approx(figure.inches)


angle = st.floats(-8.0, 8.0)


@quick
@given(angle, angle, angle, angle, st.floats(0.01, 0.3))
def test_pairs_of_the_mirrored_car(camber_l, camber_r, caster_l, caster_r, u) -> None:
    def swept(camber: float, caster: float, wheel: Wheel) -> SweptWheel:
        results = {
            Quantity.CAMBER: made(Quantity.CAMBER, camber, pads=u, noise=0.02),
            Quantity.CASTER: made(Quantity.CASTER, caster, pads=u, noise=0.05),
        }
        return SweptWheel(results, Origin(wheel, pads="f"))

    one = pair_of(swept(camber_l, caster_l, LF), swept(camber_r, caster_r, RF))
    two = pair_of(swept(camber_r, caster_r, LF), swept(camber_l, caster_l, RF))
    for figure, pads in ((Quantity.CROSS_CAMBER, 2.0 * u), (Quantity.CROSS_CASTER, 0.0)):
        a, b = one.cross[figure], two.cross[figure]
        assert a.difference.value == pytest.approx(-b.difference.value)
        assert a.difference.expanded_uncertainty == pytest.approx(b.difference.expanded_uncertainty)
        assert a.verdict is b.verdict
        terms = {t.source: t.standard_uncertainty for t in a.difference.budget}
        assert terms["pads"] == pytest.approx(pads, abs=1e-9)


@few
@given(st.floats(0.2, 0.9), st.lists(st.floats(15.0, 25.0), min_size=1, max_size=5), st.booleans())
def test_turn_out_of_ackermanns_car_and_its_mirror(k, inner, both_gyros) -> None:
    """Wheels that roll about one centre: exact from any rests, and mirrored."""
    outer = [math.degrees(math.atan(1.0 / (k + 1.0 / math.tan(math.radians(x))))) for x in inner]
    left = [BothHeadings(i, o) for i, o in zip(inner, outer, strict=True)]
    right = [BothHeadings(-o, -i) for i, o in zip(inner, outer, strict=True)]
    truth = 20.0 - math.degrees(math.atan(1.0 / (k + 1.0 / math.tan(math.radians(20.0)))))
    found = toe_out_on_turns(
        [*left, *right, BothHeadings(0.0, 0.0)], scale_u=0.01, same_gyro=both_gyros
    )
    one, two = found[Quantity.TURN_OUT_LEFT], found[Quantity.TURN_OUT_RIGHT]
    assert one.value == pytest.approx(truth, abs=1e-6)
    assert two.value == pytest.approx(truth, abs=1e-6)
    assert one.expanded_uncertainty == pytest.approx(two.expanded_uncertainty)


@quick
@given(st.floats(-2.0, 2.0), st.sampled_from(list(Side)), st.sampled_from(list(Thread)))
def test_advice_for_links_on_the_other_side_is_the_other_way(want, side, thread) -> None:
    def turns(of: Side, wheel: Wheel, unit: float = 1.0) -> float:
        link = ToeLink(1.5 * unit, thread, 118.0 * unit, of)
        reading = made(Quantity.TOE, want, touch=0.001)
        advice = advise(wheel, Kind.TOE_LINK, reading, Target(0.0, -1e-3, 1e-3), by_geometry(link))
        return 0.0 if advice.amount is None else advice.amount.value

    other = Side.AHEAD if side is Side.BEHIND else Side.BEHIND
    for wheel in Wheel:
        assert turns(side, wheel) == pytest.approx(-turns(other, wheel))
        assert turns(side, wheel) == pytest.approx(turns(side, LF))
        assert turns(side, wheel) == pytest.approx(turns(side, wheel, 1.0 / 25.4))


@quick
@given(st.floats(-20.0, 20.0), st.floats(0.0, 16.0))
def test_adjusters_in_other_units(moved, lean) -> None:
    for unit in (1.0, 1.0 / 25.4):
        link = ToeLink(1.0, Thread.SINGLE, 118.0 * unit, Side.AHEAD)
        assert toe_by_length_deg(link, moved * unit) == pytest.approx(
            -math.degrees(math.asin(moved / 118.0))
        )
        shim = CamberShim(245.0 * unit, ShimPlace.LOWER)
        joint = CasterAdjuster(1.0, 245.0 * unit, False)
        # One formula seen from the front and from the side.
        assert camber_by_shim_deg(shim, moved * unit, lean) == pytest.approx(
            caster_by_joint_deg(joint, moved * unit, -lean), abs=1e-9
        )


@pytest.mark.parametrize("name", ["LF", "RF", "LR", "RR"])
@pytest.mark.parametrize("behind", [True, False])
@pytest.mark.parametrize("start", [1.4, -1.2])
def test_advice_lands_on_a_linkage_in_space(name: str, behind: bool, start: float) -> None:
    """Inclined axis, a short link: the car answers by its own geometry, solved in space."""
    link = ToeLink(1.5, Thread.SINGLE, 118.0, Side.BEHIND if behind else Side.AHEAD)
    target = Target(0.1, 0.05, 0.15)
    truth = rounds(
        lambda turns: toe_in_space(name, behind, 1.5 * turns, 12.0, 5.0, 320.0),
        start,
        target,
        by_geometry(link),
    )
    assert target.low <= truth[-1] <= target.high


@quick
@given(four)
def test_a_straightedge_gives_the_heights_back(heights) -> None:
    pads = lay(heights, (1500.0, 1480.0))
    length = {Span.FRONT: 1500.0, Span.REAR: 1480.0, Span.LEFT: 2500.0, Span.RIGHT: 2500.0}
    ends = {Span.FRONT: (LF, RF), Span.REAR: (LR, RR), Span.LEFT: (LF, LR), Span.RIGHT: (RF, RR)}
    slopes = {
        span: Given(math.degrees(math.atan((heights[a] - heights[b]) / length[span])), 0.02)
        for span, (a, b) in ends.items()
    }
    for spans in (slopes, {s: slopes[s] for s in (Span.FRONT, Span.REAR, Span.RIGHT)}):
        laid = pads_by_straightedge(
            spans, wheelbase_mm=2500.0, track_front_mm=1500.0, track_rear_mm=1480.0
        )
        assert laid.consistent
        for wheel in Wheel:
            assert laid.pads.height_mm[wheel] == pytest.approx(pads.height_mm[wheel], abs=1e-6)
    assert pads_by_straightedge(
        slopes, wheelbase_mm=2500.0, track_front_mm=1500.0, track_rear_mm=1480.0
    ).misclosure_mm == pytest.approx(0.0, abs=1e-9)
