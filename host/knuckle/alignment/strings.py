"""The two strings beside the car: are they along its centre line, and what is left if not.

The car's centre line runs through the middles between the hubs of each axle. Both strings turn
with three unknowns: their angles, and half the difference of the tracks at the hubs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.alignment.shared import term_of, with_budget, without
from knuckle.errors import UsageError
from knuckle.estimate.distributions import chi_squared_tail, normal_quantile
from knuckle.estimate.priors import Given
from knuckle.model.block import FloatArray
from knuckle.model.result import Quantity, Result
from knuckle.model.wheel import Wheel

OFFSET_U_MM: Final = 0.3
"""Of an offset read from a steel rule by eye: half its millimetre, as a rectangle. GUM 4.3.7."""
TRACK_U_MM: Final = 2.0
"""Of a track measured at the hubs; common practice, no source."""
WIDTH_U_MM: Final = 0.5
CHANCE: Final = 0.01
LARGEST_STRING_DEG: Final = 5.0
AGAINST_CAR: Final = "against the car's line"
_WIDE: Final = normal_quantile(0.975)


@dataclass(frozen=True, slots=True)
class Widths:
    """Distances from string to string, square to the car.

    Attributes
    ----------
    front_mm, rear_mm : float
    apart_mm : float
        Along the car from the one to the other.
    u_mm : float
        Standard uncertainty of each.
    """

    front_mm: float
    rear_mm: float
    apart_mm: float
    u_mm: float = WIDTH_U_MM


@dataclass(frozen=True, slots=True)
class StringSide:
    """One string.

    Attributes
    ----------
    toe_deg : Given
        Of the string: positive where its front end is further inboard. It is added to the toe
        of every wheel that was measured from this string.
    parallel : bool
        Whether the angle is within its own expanded uncertainty.
    end : str
        Which end to move outboard, "front" or "rear"; moving the other inboard by as much
        does the same, but brings the string nearer to the tyre.
    move_mm : Given
        How far, at the ends of the string.
    front_should_be_mm, rear_should_be_mm : float
        What the offset at that hub should read with the other as it is.
    """

    toe_deg: Given
    parallel: bool
    end: str
    move_mm: Given
    front_should_be_mm: float
    rear_should_be_mm: float


@dataclass(frozen=True, slots=True)
class Strings:
    """Both strings.

    Attributes
    ----------
    left, right : StringSide
    correlation : float
        Of the errors of the two angles, -1 to 1.
    half_track_difference_mm : Given
        (rear - front) / 2 at the hubs, as all measures together tell it.
    consistent : bool
        False where tracks and widths contradict each other; uncertainties are then widened.
    """

    left: StringSide
    right: StringSide
    correlation: float
    half_track_difference_mm: Given
    consistent: bool

    def of(self, wheel: Wheel) -> StringSide:
        """Return the string from which a wheel is measured."""
        return self.left if wheel.is_left else self.right


def strings_of(
    offsets_mm: Mapping[Wheel, float],
    *,
    wheelbase_mm: float,
    tracks_mm: tuple[Given, Given] | None = None,
    widths: Widths | None = None,
    offset_u_mm: float = OFFSET_U_MM,
    span_mm: float | None = None,
) -> Strings:
    """Return how the strings lie from the offsets of the hubs.

    Parameters
    ----------
    offsets_mm : dict of Wheel to float
        From each hub out to the string beside it, square to the string and level: all four, to
        like faces of like hubs.
    wheelbase_mm : float
    tracks_mm : tuple of Given, or None
        Front and rear, from hub face to hub face. With like wheels on both axles the difference
        of the tracks between the tyres' middles will do.
    widths : Widths or None
        From string to string at the front and at the rear: then no track is needed. One of
        the two, or both.
    offset_u_mm : float
        Standard uncertainty of each offset.
    span_mm : float or None
        From end to end of a string; None for the wheelbase.

    Raises
    ------
    UsageError
        If an offset is missing, neither tracks nor widths are given, a length is not positive, or
        a string comes out more than 5 deg off.

    Notes
    -----
    With the left string turned inboard at its front by s, its normal is (sin s, cos s), and the
    hubs lie at (0, T_f/2) and (-W, T_r/2): offset(front) - offset(rear) = -W sin s + t cos s,
    t = (T_r - T_f)/2; likewise on the right. Widths say width(front) - width(rear) =
    -apart (tan s_left + tan s_right). Exact; weighted least squares. Derived in
    docs/alignment-theory.md.
    """
    _check(offsets_mm, wheelbase_mm, tracks_mm, widths, offset_u_mm, span_mm)
    differences = [
        offsets_mm[front] - offsets_mm[rear]
        for front, rear in ((Wheel.LF, Wheel.LR), (Wheel.RF, Wheel.RR))
    ]
    rows = _rows(differences, wheelbase_mm, tracks_mm, widths, max(offset_u_mm, 1e-9))
    x, covariance, chi_squared, spare = _solved(rows, wheelbase_mm)
    consistent = spare == 0 or chi_squared_tail(chi_squared, spare) > CHANCE
    if not consistent:
        covariance = covariance * (chi_squared / spare)
    s_left, s_right, t = (float(each) for each in x)
    if max(abs(s_left), abs(s_right)) > math.radians(LARGEST_STRING_DEG):
        raise UsageError(
            f"A string comes out more than {LARGEST_STRING_DEG:g} deg off the car's line.",
            "An offset, a track or a width was mistyped, or has another unit.",
            "Check these lengths, in mm.",
        )
    span = wheelbase_mm if span_mm is None else span_mm
    u = np.sqrt(np.diag(covariance))
    sides = [
        _side(s, float(u[at]), t, offsets_mm[front], offsets_mm[rear], span)
        for at, (s, front, rear) in enumerate(
            ((s_left, Wheel.LF, Wheel.LR), (s_right, Wheel.RF, Wheel.RR))
        )
    ]
    together = float(covariance[0, 1] / (u[0] * u[1]))
    return Strings(sides[0], sides[1], together, Given(t, float(u[2])), consistent)


Rows = Callable[[FloatArray], tuple[FloatArray, FloatArray]]


def _rows(
    differences_mm: list[float],
    wheelbase_mm: float,
    tracks_mm: tuple[Given, Given] | None,
    widths: Widths | None,
    offset_u_mm: float,
) -> Rows:
    """Return what gives residuals, in their uncertainties, and derivatives at (s, s, t)."""
    u_difference = math.sqrt(2.0) * offset_u_mm

    def rows(x: FloatArray) -> tuple[FloatArray, FloatArray]:
        s, t = x[:2], float(x[2])
        sine, cosine = np.sin(s), np.cos(s)
        found = list((t * cosine - wheelbase_mm * sine - np.array(differences_mm)) / u_difference)
        by_s = -(wheelbase_mm * cosine + t * sine) / u_difference
        slopes = [
            [by_s[0], 0.0, cosine[0] / u_difference],
            [0.0, by_s[1], cosine[1] / u_difference],
        ]
        if tracks_mm is not None:
            front, rear = tracks_mm
            u = max(math.hypot(front.standard_uncertainty, rear.standard_uncertainty) / 2.0, 1e-9)
            found.append((t - (rear.value - front.value) / 2.0) / u)
            slopes.append([0.0, 0.0, 1.0 / u])
        if widths is not None:
            u = max(math.sqrt(2.0) * widths.u_mm, 1e-9)
            wedge = -widths.apart_mm * float(np.sum(sine / cosine))
            found.append((wedge - (widths.front_mm - widths.rear_mm)) / u)
            slopes.append([*(-widths.apart_mm / cosine**2 / u), 0.0])
        return np.array(found), np.array(slopes)

    return rows


def _solved(rows: Rows, wheelbase_mm: float) -> tuple[FloatArray, FloatArray, float, int]:
    """Return the angles and t, their covariance, chi-squared and its degrees of freedom.

    Gauss-Newton: the rows are all but straight within the few degrees that a string can be off.
    """
    unit = np.array([1.0 / wheelbase_mm, 1.0 / wheelbase_mm, 1.0])
    x = np.zeros(3)
    for _ in range(50):
        left, slopes = rows(x)
        step = unit * np.linalg.lstsq(slopes * unit, -left, rcond=None)[0]
        # Lengths that cannot be would else throw the angles round the circle.
        x = np.clip(x + step, [-0.5, -0.5, -1e6], [0.5, 0.5, 1e6])
        if np.all(np.abs(step / unit) < 1e-10):
            break
    left, slopes = rows(x)
    inverse = np.linalg.pinv(slopes * unit) * unit[:, None]
    return x, inverse @ inverse.T, float(left @ left), left.size - 3


def _side(
    s_rad: float, u_rad: float, t_mm: float, front_mm: float, rear_mm: float, span_mm: float
) -> StringSide:
    toe = Given(math.degrees(s_rad), math.degrees(u_rad))
    move = span_mm * abs(math.sin(s_rad))
    return StringSide(
        toe,
        abs(s_rad) <= _WIDE * u_rad,
        "front" if s_rad >= 0.0 else "rear",
        Given(move, span_mm * math.cos(s_rad) * u_rad),
        rear_mm + t_mm,
        front_mm - t_mm,
    )


def _check(
    offsets_mm: Mapping[Wheel, float],
    wheelbase_mm: float,
    tracks_mm: tuple[Given, Given] | None,
    widths: Widths | None,
    offset_u_mm: float,
    span_mm: float | None,
) -> None:
    missing = [w.value for w in Wheel if not math.isfinite(offsets_mm.get(w, math.nan))]
    if missing:
        raise UsageError(
            f"No offset from the hub to the string at {', '.join(missing)}.",
            "",
            "Measure from the hub out to the string at all four wheels, in mm.",
        )
    if tracks_mm is None and widths is None:
        raise UsageError(
            "Whether the strings converge cannot be told from the offsets alone.",
            "The front and rear tracks may differ.",
            "Give both tracks at the hubs, or the widths from string to string front and rear.",
        )
    lengths = [wheelbase_mm, *([span_mm] if span_mm is not None else [])]
    lengths += [track.value for track in tracks_mm or ()]
    lengths += [widths.front_mm, widths.rear_mm, widths.apart_mm] if widths is not None else []
    if not all(math.isfinite(x) and x > 0.0 for x in lengths) or not offset_u_mm >= 0.0:
        raise UsageError(
            "Wheelbase, tracks, widths and spans must be lengths above zero.",
            "",
            "Check the car's measures.",
        )


def against_car_line(
    toe: Result, strings: Strings, wheel: Wheel, assumed_deg: float = 0.0
) -> Result:
    """Return a wheel's toe against the car's centre line.

    Parameters
    ----------
    toe : Result
        As measured from the string.
    strings : Strings
    wheel : Wheel
    assumed_deg : float
        The toe of the string that is in `toe` already (0 unless one was given with it).

    Notes
    -----
    The term `string`, which stood for a string of unknown angle, is replaced by the measured
    angle's.
    """
    side = strings.of(wheel).toe_deg
    return with_budget(
        Quantity.TOE,
        toe.value - assumed_deg + side.value,
        [*without(toe, "string"), term_of("string", side.standard_uncertainty)],
        AGAINST_CAR,
        toe.unit,
    )
