"""Drawn cars with drawn errors: one whole measurement each, and how far each figure lies off.

Shared by the test of coverage (a few hundred) and by `tests/benchmarks/alignment.py` (2000). The
errors are drawn from what the budgets state; nothing else of the package's is used to make them.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from alignment.car_in_space import (
    WHEELS,
    CarInSpace,
    StringInSpace,
    WheelInSpace,
    read_by_gravity,
    rim_touches,
    standing,
)
from alignment.figures import made
from knuckle.alignment.adjusters import Kind, by_geometry
from knuckle.alignment.advice import Worth, advise
from knuckle.alignment.axle import WheelToe, about_thrust_line
from knuckle.alignment.compare import compare
from knuckle.alignment.half_turn import half_turn, rolled
from knuckle.alignment.pads import on_these_pads, pads_of
from knuckle.alignment.pair import SweptWheel, included_angle, pair_of
from knuckle.alignment.sensitivity import Made, joined
from knuckle.alignment.shared import Origin
from knuckle.alignment.straightedge import Span, pads_by_straightedge
from knuckle.alignment.strings import Widths, against_car_line, strings_of
from knuckle.alignment.travel import Station, curve_of
from knuckle.alignment.turn_out import BothHeadings, toe_out_on_turns
from knuckle.estimate.priors import Given
from knuckle.geometry.toe import toe_deg
from knuckle.model.car import Side, Target, Thread, ToeLink
from knuckle.model.result import SWEPT, Quantity, Result
from knuckle.model.wheel import Wheel

Errors = dict[str, float]
"""By figure: how many expanded uncertainties it lies from the truth."""


def off(result: Result, truth: float) -> float:
    return (result.value - truth) / result.expanded_uncertainty


def draw_car(rng: np.random.Generator) -> CarInSpace:
    wheels = {
        n: WheelInSpace(
            n,
            rng.uniform(-3.0, 1.0),
            rng.uniform(-0.6, 0.6),
            rng.uniform(2.0, 8.0) if n[1] == "F" else 0.0,
            rng.uniform(8.0, 14.0) if n[1] == "F" else 0.0,
        )
        for n in WHEELS
    }
    return CarInSpace(2500.0, (1500.0, 1480.0), wheels)


def pads(rng: np.random.Generator) -> Errors:
    """Heights by a level good to 1 mm, or slopes by a straightedge; half of the pads are warped.

    On warped pads each wheel leans by something between the two axles' slopes.
    """
    car = draw_car(rng)
    front, along = rng.uniform(-0.8, 0.8, 2)
    rear = front + rng.choice([0.0, rng.uniform(-0.4, 0.4)])
    a_front, a_rear, b = np.tan(np.radians([front, rear, along]))
    feet = {}
    for name in WHEELS:
        x, y, _ = car.hub(name)
        feet[name] = float(b * x + (a_front if name[1] == "F" else a_rear) * y)
    read = {Wheel(n): h + rng.normal(0.0, 1.0) for n, h in feet.items()}
    lay = {"wheelbase_mm": 2500.0, "track_front_mm": 1500.0, "track_rear_mm": 1480.0}
    found = {"level": pads_of(read, 1.0, **lay)}
    rise = {
        Span.FRONT: ("LF", "RF", 1500.0),
        Span.REAR: ("LR", "RR", 1480.0),
        Span.LEFT: ("LF", "LR", 2500.0),
        Span.RIGHT: ("RF", "RR", 2500.0),
    }
    slopes = {
        span: Given(
            math.degrees(math.atan((feet[one] - feet[other] + rng.normal(0.0, 0.3)) / over))
            + rng.normal(0.0, 0.02),
            0.02,
        )
        for span, (one, other, over) in rise.items()
    }
    found["straightedge"] = pads_by_straightedge(slopes, **lay).pads
    errors = {}
    for name, own, other in (("LF", front, rear), ("RR", rear, front)):
        wheel = car.wheels[name]
        placed = standing(own + rng.uniform() * (other - own), along)
        readings = [x + rng.normal(0.0, 0.02) for x in read_by_gravity(wheel, placed)]
        results = {
            q: made(q, x, "relative to gravity", pads=0.1, noise=0.02)
            for q, x in zip(SWEPT, readings, strict=True)
        }
        for way, lie in found.items():
            done = on_these_pads(results, lie, Wheel(name), wheel.toe)
            truth = (wheel.camber, wheel.caster, wheel.sai)
            for quantity, value in zip(SWEPT, truth, strict=True):
                errors[f"{quantity.value}, {way}, {name}"] = off(done[quantity], value)
    return errors


def strings(rng: np.random.Generator) -> Errors:
    """Strings by rules, tracks or widths, touches at the rims; axles from them."""
    car = draw_car(rng)
    lines = {
        "L": StringInSpace("L", 140.0, rng.uniform(-0.5, 0.5)),
        "R": StringInSpace("R", 155.0, rng.uniform(-0.5, 0.5)),
    }
    offsets = {Wheel(n): lines[n[0]].offset(car, car.hub(n)) + rng.normal(0.0, 0.3) for n in WHEELS}
    tracks = (
        Given(1500.0 + rng.normal(0.0, 2.0), 2.0),
        Given(1480.0 + rng.normal(0.0, 2.0), 2.0),
    )

    def width(x: float) -> float:
        ends = []
        for line in lines.values():
            through, along = line.line(car)
            ends.append(through[1] + (x - through[0]) * along[1] / along[0])
        return ends[0] - ends[1] + rng.normal(0.0, 0.5)

    widths = Widths(width(600.0), width(-3000.0), 3600.0, 0.5)
    errors = {}
    for way, known in (
        ("tracks", {"tracks_mm": tracks}),
        ("widths", {"widths": widths}),
        ("both", {"tracks_mm": tracks, "widths": widths}),
    ):
        found = strings_of(offsets, wheelbase_mm=2500.0, **known)  # type: ignore[arg-type]
        toes = []
        for name, wheel in car.wheels.items():
            front, rear = rim_touches(car, wheel, 420.0)
            line = lines[name[0]]
            read = toe_deg(line.offset(car, front), line.offset(car, rear), 420.0)
            reading = made(Quantity.TOE, read + rng.normal(0.0, 0.01), string=0.03, touch=0.01)
            toe = against_car_line(reading, found, Wheel(name))
            errors[f"toe {name}, {way}"] = off(toe, wheel.toe)
            origin = Origin(Wheel(name), strings="s", string_correlation=found.correlation)
            toes.append(WheelToe(toe, origin))
        centred = about_thrust_line(*toes)
        lf, rf, lr, rr = (car.wheels[n].toe for n in WHEELS)
        thrust = (rr - lr) / 2.0
        for label, result, truth in (
            ("front total", centred.front.total, lf + rf),
            ("thrust", centred.rear.heading, thrust),
            ("LF about thrust", centred.left, lf + thrust),
            ("off centre", centred.off_centre, (rf - lf) / 2.0 - thrust),
        ):
            errors[f"{label}, {way}"] = off(result, truth)
    return errors


def rims(rng: np.random.Generator) -> Errors:
    """A rim askew at an unknown place, touched at two or four positions rolled by eye."""
    car = draw_car(rng)
    wheel = car.wheels["RF"]
    line = StringInSpace("R", 150.0, 0.0)
    askew, start = abs(rng.normal(0.0, 0.1)), rng.uniform(0.0, 360.0)

    def read(phi: float) -> Result:
        roll = start + phi + (rng.normal(0.0, 5.0) if phi else 0.0)
        front, rear = rim_touches(car, wheel, 420.0, askew, roll)
        value = toe_deg(line.offset(car, front), line.offset(car, rear), 420.0)
        return made(Quantity.TOE, value + rng.normal(0.0, 0.01), touch=0.01, runout=0.07)

    single, pair = read(0.0), half_turn(read(0.0), read(180.0))
    four = rolled([(phi, read(phi)) for phi in (0.0, 90.0, 180.0, 270.0)])
    return {
        "toe, one position": off(single, wheel.toe),
        "toe, half a turn": off(pair.result, wheel.toe),
        "toe, four positions": off(four.result, wheel.toe),
    }


def pairs(rng: np.random.Generator) -> Errors:
    """Left against right and before against after, with shared and own errors drawn."""
    shared_pads, mount = rng.normal(0.0, 0.1, 2), rng.normal(0.0, 0.2)
    zero = rng.normal(0.0, 0.06)
    truth = {
        w: {q: rng.uniform(*s) for q, s in zip(SWEPT, ((-3, 1), (2, 8), (8, 14)), strict=True)}
        for w in (Wheel.LF, Wheel.RF)
    }

    def swept(wheel: Wheel, mounted: float) -> dict[Quantity, Result]:
        across, along = shared_pads
        error = {
            Quantity.CAMBER: -wheel.side * across + zero + mounted,
            Quantity.CASTER: along,
            Quantity.SAI: wheel.side * across - zero,
        }
        return {
            q: made(
                q,
                truth[wheel][q] + error[q] + rng.normal(0.0, 0.03),
                pads=0.1,
                noise=0.03,
                **({"mount": 0.2} if q is Quantity.CAMBER else {}),
                **({"zero": 0.06} if q is not Quantity.CASTER else {}),
            )
            for q in SWEPT
        }

    left, right = swept(Wheel.LF, mount), swept(Wheel.RF, rng.normal(0.0, 0.2))
    origins = {w: Origin(w, pod="p", mounting=w.value, pads="f") for w in (Wheel.LF, Wheel.RF)}
    pair = pair_of(SweptWheel(left, origins[Wheel.LF]), SweptWheel(right, origins[Wheel.RF]))
    errors = {
        compared.difference.quantity.value: off(
            compared.difference,
            sum(truth[Wheel.LF][q] - truth[Wheel.RF][q] for q in quantities),
        )
        for quantities, compared in (
            ((Quantity.CAMBER,), pair.cross[Quantity.CROSS_CAMBER]),
            ((Quantity.CASTER,), pair.cross[Quantity.CROSS_CASTER]),
        )
    }
    included = included_angle(left, origins[Wheel.LF])
    assert included is not None
    both = truth[Wheel.LF][Quantity.SAI] + truth[Wheel.LF][Quantity.CAMBER]
    errors["included_angle"] = off(included, both)
    earlier = left[Quantity.CAMBER]
    change = rng.uniform(-1.0, 1.0)
    before = truth[Wheel.LF][Quantity.CAMBER]
    truth[Wheel.LF][Quantity.CAMBER] += change
    later = swept(Wheel.LF, mount)[Quantity.CAMBER]
    here = origins[Wheel.LF]
    errors["camber, before and after"] = off(
        compare(earlier, later, here, here).difference,
        truth[Wheel.LF][Quantity.CAMBER] - before,
    )
    return errors


def turns(rng: np.random.Generator) -> Errors:
    """Toe-out of a linkage that is not Ackermann's, from rests near 20 deg."""
    k, bend = rng.uniform(0.3, 0.7), rng.uniform(-0.5, 0.5)

    def outer(inner: float) -> float:
        here = k * (1.0 + bend * (inner - 20.0) / 20.0)
        return math.degrees(math.atan(1.0 / (here + 1.0 / math.tan(math.radians(inner)))))

    scale = rng.normal(0.0, 0.01, 2)
    near = rng.uniform(17.0, 23.0)
    errors = {}
    for way, inner in (("one rest", (near,)), ("three rests", (near - 9.0, near - 4.5, near))):
        read = [
            BothHeadings(
                (1.0 + scale[0]) * i + rng.normal(0.0, 0.1),
                (1.0 + scale[1]) * outer(i) + rng.normal(0.0, 0.1),
            )
            for i in inner
        ]
        found = toe_out_on_turns(read, scale_u=0.01)[Quantity.TURN_OUT_LEFT]
        errors[f"toe-out on turns, {way}"] = off(found, 20.0 - outer(20.0))
    return errors


def travel(rng: np.random.Generator) -> Errors:
    """A curve of order one or two with noisy heights and values."""
    slope, bend = rng.uniform(-0.03, 0.03), rng.choice([0.0, rng.uniform(-3e-4, 3e-4)])
    heights = np.linspace(-40.0, 40.0, 9)
    stations = [
        Station(
            h + rng.normal(0.0, 0.5), slope * h + bend * h**2 + rng.normal(0.0, 0.02), 0.5, 0.02
        )
        for h in heights
    ]
    curve = curve_of(Quantity.CAMBER, stations)
    at, u = curve.at(30.0)
    return {
        "camber gain": off(curve.slope_at(), slope),
        "camber at 30 mm": float((at[0] - 30.0 * slope - 900.0 * bend) / u[0]),
    }


def adjustments(rng: np.random.Generator) -> Errors:
    """Predicted figures of a first and a second adjustment; the true answer drawn as stated."""
    link = ToeLink(1.5, Thread.SINGLE, 118.0, Side.BEHIND)
    geometry = by_geometry(link)
    per_turn = geometry.per_unit.value * (1.0 + 0.1 * rng.standard_normal())
    target = Target(0.1, 0.05, 0.15)
    truth = rng.choice([-1.0, 1.0]) * rng.uniform(0.6, 1.4)
    here = Origin(Wheel.LF, strings="s")
    string = rng.normal(0.0, 0.01)

    def read(value: float) -> Result:
        return made(Quantity.TOE, value + string + rng.normal(0.0, 0.01), string=0.01, touch=0.01)

    history: list[Made] = []
    errors = {}
    reading = read(truth)
    for count in ("first", "second"):
        sensitivity = joined(geometry, history).sensitivity
        advice = advise(Wheel.LF, Kind.TOE_LINK, reading, target, sensitivity)
        if advice.worth is not Worth.ADJUST or advice.amount is None or advice.predicted is None:
            break
        turned = advice.amount.value + rng.normal(0.0, 0.05)
        truth += math.degrees(math.asin(math.radians(per_turn) * turned))
        errors[f"{count} adjustment, predicted"] = off(advice.predicted, truth)
        after = read(truth)
        change = compare(reading, after, here, here).difference
        history.append(Made(Given(advice.amount.value, 0.05), change))
        reading = after
    learnt = joined(geometry, history).sensitivity
    if learnt is not None and history:
        errors["sensitivity"] = (learnt.per_unit.value - per_turn) / (
            1.959964 * learnt.per_unit.standard_uncertainty
        )
    return errors


STUDIES: dict[str, Callable[[np.random.Generator], Errors]] = {
    "pads": pads,
    "strings": strings,
    "rims": rims,
    "pairs": pairs,
    "turns": turns,
    "travel": travel,
    "adjustments": adjustments,
}


def coverage(name: str, count: int, seed: int = 1) -> dict[str, tuple[float, int]]:
    """Return by figure the share of intervals that hold the truth, and how many there were."""
    rng = np.random.default_rng([seed, list(STUDIES).index(name)])
    rows: dict[str, list[bool]] = {}
    for _ in range(count):
        for figure, error in STUDIES[name](rng).items():
            rows.setdefault(figure, []).append(abs(error) <= 1.0)
    return {figure: (float(np.mean(held)), len(held)) for figure, held in rows.items()}
