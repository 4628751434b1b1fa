"""The four pads: their slopes, the shims that level them, what their slope does to a result."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from knuckle.alignment.shared import term_of, with_budget, without
from knuckle.errors import UsageError
from knuckle.estimate.priors import Given
from knuckle.geometry.pads import against_pads
from knuckle.model.result import SWEPT, Quantity, Result
from knuckle.model.wheel import Wheel

LARGEST_SLOPE_DEG: Final = 10.0
ON_PADS: Final = "relative to the pads"
_TO_GRAVITY: Final = "relative to gravity"


@dataclass(frozen=True, slots=True)
class Pads:
    """How the four pads lie.

    Attributes
    ----------
    height_mm : dict of Wheel to float
        Above the lowest; of the tops, where the tyres stand.
    u_mm : float
        Standard uncertainty of each height.
    front_across_deg, rear_across_deg : Given
        Left pad higher.
    along_deg : Given
        Front pads higher, by the middles of both axles.
    warp_deg : float
        Front slope across less the rear one.
    """

    height_mm: Mapping[Wheel, float]
    u_mm: float
    front_across_deg: Given
    rear_across_deg: Given
    along_deg: Given

    @property
    def warp_deg(self) -> float:
        """By how much the front pads slope across more than the rear ones."""
        return self.front_across_deg.value - self.rear_across_deg.value

    def across_deg(self, wheel: Wheel) -> Given:
        """Return the slope across under a wheel's axle, with what the warp leaves unknown.

        The body takes up a roll between the slopes of the two axles, and how far a wheel leans
        with it is its suspension's: so the lean lies between its own axle's slope and the
        other's. Taken as a rectangle from the one to the other, root mean square warp / sqrt(3)
        about its own (GUM, JCGM 100:2008, 4.3.7). What of the warp is the heights' own
        uncertainty is taken out of it beforehand.
        """
        front, rear = self.front_across_deg, self.rear_across_deg
        own = front if wheel.is_front else rear
        by_heights = front.standard_uncertainty**2 + rear.standard_uncertainty**2
        warp2 = max(self.warp_deg**2 - by_heights, 0.0)
        return Given(own.value, math.sqrt(own.standard_uncertainty**2 + warp2 / 3.0))


def pads_of(
    heights_mm: Mapping[Wheel, float],
    u_mm: float,
    *,
    wheelbase_mm: float,
    track_front_mm: float,
    track_rear_mm: float,
    downwards: bool = False,
) -> Pads:
    """Return how the pads lie from the heights of their tops.

    Parameters
    ----------
    heights_mm : dict of Wheel to float
        From any level line: all four. A water level or a laser line gives them; only differences
        count.
    u_mm : float
        Standard uncertainty of each height, independent of the others.
    wheelbase_mm, track_front_mm, track_rear_mm : float
        Level distances between the middles of the pads.
    downwards : bool
        True where they were measured from a level line down to the pads: larger is lower.

    Raises
    ------
    UsageError
        If a height is missing or not finite, a length not positive, or the pads slope by more
        than 10 deg.

    Notes
    -----
    tan(across) = (left - right) / track; tan(along) = (mean of front - mean of rear) / wheelbase.
    Plain trigonometry; worked in docs/alignment-theory.md.
    """
    lengths = (wheelbase_mm, track_front_mm, track_rear_mm)
    if not all(math.isfinite(x) and x > 0.0 for x in lengths):
        raise UsageError(
            "Wheelbase and tracks must be lengths above zero.", "", "Check the car's measures."
        )
    missing = [w.value for w in Wheel if not math.isfinite(heights_mm.get(w, math.nan))]
    if missing or not (math.isfinite(u_mm) and u_mm >= 0.0):
        raise UsageError(
            f"No height of the pad under {', '.join(missing)}."
            if missing
            else "The heights' uncertainty must be zero or more.",
            "",
            "Give the heights of all four pads from one level line, in mm.",
        )
    sign = -1.0 if downwards else 1.0
    lowest = min(sign * heights_mm[wheel] for wheel in Wheel)
    height = {wheel: sign * heights_mm[wheel] - lowest for wheel in Wheel}
    front = _slope(height[Wheel.LF] - height[Wheel.RF], math.sqrt(2.0) * u_mm, track_front_mm)
    rear = _slope(height[Wheel.LR] - height[Wheel.RR], math.sqrt(2.0) * u_mm, track_rear_mm)
    ahead = height[Wheel.LF] + height[Wheel.RF] - height[Wheel.LR] - height[Wheel.RR]
    along = _slope(ahead / 2.0, u_mm, wheelbase_mm)
    if max(abs(slope.value) for slope in (front, rear, along)) > LARGEST_SLOPE_DEG:
        raise UsageError(
            f"These heights slope by more than {LARGEST_SLOPE_DEG:g} deg.",
            "One of them was mistyped, or has another unit.",
            "Check the heights, in mm.",
        )
    return Pads(height, u_mm, front, rear, along)


def _slope(rise_mm: float, u_mm: float, over_mm: float) -> Given:
    tangent = rise_mm / over_mm
    slope = math.degrees(math.atan(tangent))
    return Given(slope, math.degrees(u_mm / over_mm / (1.0 + tangent**2)))


@dataclass(frozen=True, slots=True)
class PadShim:
    """What to lay under one pad.

    Attributes
    ----------
    needed_mm : float
        To bring it level with the highest.
    laid_mm : float
        By the sizes at hand, or as needed where none were given.
    sizes_mm : tuple of float
        Of which that is made, thickest first.
    left_mm : float
        Still too low (or, below zero, too high).
    worth_it : bool
        False where what is needed is within the heights' expanded uncertainty, or no stack comes
        nearer than none.
    """

    needed_mm: float
    laid_mm: float
    sizes_mm: tuple[float, ...]
    left_mm: float
    worth_it: bool


def shim_table(pads: Pads, sizes_mm: Sequence[float] = ()) -> dict[Wheel, PadShim]:
    """Return what to lay under each pad to level all four with the highest.

    Parameters
    ----------
    pads : Pads
    sizes_mm : sequence of float
        Thicknesses at hand, any number of each; empty for any thickness.

    Notes
    -----
    The difference of two heights has the expanded uncertainty 1.96 sqrt(2) u.
    """
    highest = max(pads.height_mm.values())
    least = 1.96 * math.sqrt(2.0) * pads.u_mm
    table = {}
    for wheel in Wheel:
        needed = highest - pads.height_mm[wheel]
        stack = stack_of(needed, sizes_mm) if sizes_mm else (needed,) if needed else ()
        laid = sum(stack)
        table[wheel] = PadShim(needed, laid, stack, needed - laid, needed > least and bool(stack))
    return table


def stack_of(needed_mm: float, sizes_mm: Sequence[float]) -> tuple[float, ...]:
    """Return the stack, thickest first, that comes nearest to a thickness; of equals the fewest.

    Thicknesses are counted in hundredths of a millimetre.
    """
    sizes = sorted({round(100.0 * size) for size in sizes_mm if size >= 0.01}, reverse=True)
    wanted = max(round(100.0 * needed_mm), 0)
    if not sizes or not wanted:
        return ()
    top = wanted + sizes[0]
    fewest: list[tuple[int, ...] | None] = [()] + [None] * top
    for total in range(1, top + 1):
        for size in sizes:
            before = fewest[total - size] if size <= total else None
            here = fewest[total]
            if before is not None and (here is None or len(before) + 1 < len(here)):
                fewest[total] = (*before, size)
    best = min(
        (abs(total - wanted), len(stack), stack)
        for total, stack in enumerate(fewest)
        if stack is not None
    )[2]
    return tuple(size / 100.0 for size in sorted(best, reverse=True))


def after_shims(
    pads: Pads,
    laid_mm: Mapping[Wheel, float],
    *,
    wheelbase_mm: float,
    track_front_mm: float,
    track_rear_mm: float,
) -> Pads:
    """Return how the pads lie once these thicknesses are under them; lengths as of `pads_of`."""
    return pads_of(
        {wheel: height + laid_mm.get(wheel, 0.0) for wheel, height in pads.height_mm.items()},
        pads.u_mm,
        wheelbase_mm=wheelbase_mm,
        track_front_mm=track_front_mm,
        track_rear_mm=track_rear_mm,
    )


def on_these_pads(
    results: Mapping[Quantity, Result], pads: Pads, wheel: Wheel, toe_deg: float = 0.0
) -> dict[Quantity, Result]:
    """Return a wheel's camber, caster and inclination against the pads; others as they are.

    Parameters
    ----------
    results : dict of Quantity to Result
        Camber, or camber, caster and inclination, relative to gravity. Those that already are
        relative to the pads are left alone.
    pads : Pads
    wheel : Wheel
    toe_deg : float
        This wheel's toe at straight ahead, where known; it hardly matters.

    Notes
    -----
    The term `pads` of the budget, which stood for unknown slopes, is replaced by the heights'.
    An unknown slope shows in no reading, so it has not moved the values. Values are exact
    (`knuckle.geometry.pads`); uncertainty is propagated linearly.
    """
    done = dict(results)
    value = {q: math.radians(results[q].value) for q in SWEPT if q in results}
    across, along = pads.across_deg(wheel), pads.along_deg
    slope = (math.radians(across.value), math.radians(along.value))

    def moved(more: tuple[float, float]) -> tuple[float, float, float]:
        return against_pads(
            value.get(Quantity.CAMBER, 0.0),
            value.get(Quantity.CASTER, 0.0),
            value.get(Quantity.SAI, 0.0),
            math.radians(toe_deg),
            (slope[0] + more[0], slope[1] + more[1]),
            wheel.side,
        )

    step = 1e-6
    here = moved((0.0, 0.0))
    by_across, by_along = (
        [(a - b) / (2.0 * step) for a, b in zip(moved(up), moved(down), strict=True)]
        for up, down in (((step, 0.0), (-step, 0.0)), ((0.0, step), (0.0, -step)))
    )
    for at, quantity in enumerate(SWEPT):
        result = results.get(quantity)
        if result is None or result.condition.startswith(ON_PADS):
            continue
        u = math.hypot(
            by_across[at] * across.standard_uncertainty, by_along[at] * along.standard_uncertainty
        )
        condition = result.condition.replace(_TO_GRAVITY, ON_PADS)
        done[quantity] = with_budget(
            quantity,
            math.degrees(here[at]),
            [*without(result, "pads"), term_of("pads", u)],
            condition if condition.startswith(ON_PADS) else ON_PADS,
            result.unit,
        )
    return done
