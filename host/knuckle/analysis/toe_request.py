"""What the user asks of a measurement of toe, beside the readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from knuckle.estimate.linear import LinearCalibration
from knuckle.estimate.priors import Given
from knuckle.geometry.toe import Along
from knuckle.model.result import Place
from knuckle.model.wheel import Wheel

RIM_LENGTH_U_MM: Final = 1.0
STRING_GIVEN_U_DEG: Final = 0.01
CAMBER_GIVEN_U_DEG: Final = 0.2
HEIGHT_GIVEN_U_MM: Final = 1.0
TYPED_U_MM: Final = 0.3
"""Of a distance read from a steel rule by eye: half its millimetre, as a rectangle. GUM 4.3.7."""

_STRING_DEG: Final = Given(0.0, 0.03)
_CAMBER_DEG: Final = Given(0.0, 1.5)
_HEIGHT_MM: Final = Given(0.0, 2.0)


@dataclass(frozen=True, slots=True)
class TouchReading:
    """What was read at one touch.

    Attributes
    ----------
    place : Place
    reading_mm : float
        As the pod sends it, or as typed.
    noise_mm : float
        Standard uncertainty that is this reading's own.
    resolution_mm : float
        Smallest step of the reading, shared by all readings at that place.
    start_s, end_s : float or None
        Pod time; None for a typed one.
    """

    place: Place
    reading_mm: float
    noise_mm: float
    resolution_mm: float = 0.0
    start_s: float | None = None
    end_s: float | None = None


@dataclass(frozen=True)
class ToeRequest:
    """A measurement of toe to make; standard uncertainties throughout.

    Attributes
    ----------
    wheel : Wheel
    length_mm : Given
        Between the two touches.
    along : Along
    string_deg : Given
        Toe of the string itself: positive where its front end is further inboard. 0 +- 0.03 by
        default (common practice, no source: each end set to a millimetre over two metres).
    camber_deg, height_mm : Given
        Of the wheel; by how much the front touch was higher. Defaults are common practice.
    touch_mm : float
        Of touching down once; counts where repeats do not tell.
    runout_mm : float
        Full swing of the rim sideways over a turn (common practice, no source: 0.5 mm).
    calibration : LinearCalibration or None
        None where lengths were typed in.
    """

    wheel: Wheel
    length_mm: Given
    along: Along = Along.RIM
    string_deg: Given = _STRING_DEG
    camber_deg: Given = _CAMBER_DEG
    height_mm: Given = _HEIGHT_MM
    touch_mm: float = 0.2
    runout_mm: float = 0.5
    calibration: LinearCalibration | None = None


def at(touches: Sequence[TouchReading], place: Place) -> list[TouchReading]:
    """Return the touches at one place, in order."""
    return [touch for touch in touches if touch.place is place]
