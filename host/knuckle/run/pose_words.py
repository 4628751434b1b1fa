"""How a pod is to be held, in words for the person who holds it.

The mounting face lies where +Y comes out of the wheel's side of the pod: with +Y up the pod lies on
it, its back. Left and right are as seen by who looks at the front, the side away from the wheel.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.calibrate.directions import SECTORS
from knuckle.geometry.rotation import unit
from knuckle.model.block import FloatArray

_ALONE: Final = {
    "+x": "stand it on its right edge",
    "-x": "stand it on its left edge",
    "+y": "lay it on its mounting face",
    "-y": "lay it on its front",
    "+z": "hold it upright, as on the wheel",
    "-z": "hold it upside down",
}
_TOWARDS: Final = {
    "+x": "right",
    "-x": "left",
    "+y": "back",
    "-y": "front",
    "+z": "bottom",
    "-z": "top",
}
"""What is down then."""


def up_axes(direction: FloatArray) -> tuple[str, ...]:
    """Return the axes that point up, most of all the first: ("+x",), ("+x", "-z") ..."""
    sector = SECTORS[int(np.argmax(SECTORS @ unit(direction)))]
    names = [f"{'+' if s > 0 else '-'}{a}" for s, a in zip(sector, "xyz", strict=True) if s]
    return tuple(names)


def pose_words(direction: FloatArray) -> str:
    """Return what to do so that a direction, shape (3,), of the pod points up.

    An edge or a corner of the case is named by the faces that meet there.
    """
    axes = up_axes(direction)
    if len(axes) == 1:
        return _ALONE[axes[0]]
    faces = " ".join(_TOWARDS[axis] for axis in axes)
    return f"tip it onto the {faces} {'edge' if len(axes) == 2 else 'corner'}"


def axes_words(direction: FloatArray) -> str:
    """Return which axes of the pod point up then: ``+X and -Z up``."""
    axes = [axis.upper() for axis in up_axes(direction)]
    joined = axes[0] if len(axes) == 1 else ", ".join(axes[:-1]) + " and " + axes[-1]
    return f"{joined} up"
