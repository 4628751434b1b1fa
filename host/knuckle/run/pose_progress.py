"""How far the poses of a calibration have come: what they settle, what they lack."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from knuckle.calibrate.accelerometer import fit_accelerometer
from knuckle.calibrate.directions import SECTORS, coverage
from knuckle.calibrate.pose import Pose
from knuckle.calibrate.results import AccelerometerFit, FitState
from knuckle.estimate.data_sheets import AccelerometerSheet
from knuckle.geometry.rotation import unit
from knuckle.model.block import FloatArray
from knuckle.model.guidance import Direction, Sphere
from knuckle.run.pose_words import axes_words, pose_words

HARDLY: Final = 0.06
"""A share: if the last poses have bettered camber by less, more will hardly help ..."""
LOOKS_BACK: Final = 4
FEWEST_COARSE: Final = 18
"""... but not before so many poses."""
SURE_DOF: Final = 3.0
"""With fewer degrees of freedom the next pose may show that another one was at fault."""
ASKS_FACES_UNTIL: Final = 6
COVERED_DEG: Final = 35.0


class PoseProgress:
    """The fit of the poses so far.

    Attributes
    ----------
    fit : AccelerometerFit or None
        None before the first pose.
    """

    def __init__(self) -> None:
        self.fit: AccelerometerFit | None = None
        self._left_in_camber: list[float] = []
        self._told_out: set[tuple[float, int]] = set()

    def fitted(self, poses: Sequence[Pose], sheet: AccelerometerSheet) -> AccelerometerFit:
        """Fit anew, with another pose or one fewer."""
        self.fit = fit_accelerometer(poses, sheet)
        self._left_in_camber.append(self.fit.camber_u_deg)
        return self.fit

    @property
    def is_enough(self) -> bool:
        """Whether the fit is good, or further poses would hardly better it."""
        fit, left = self.fit, self._left_in_camber
        if fit is None or not fit.is_calibration:
            return False
        if fit.state is FitState.GOOD:
            return True
        if len(left) <= LOOKS_BACK or len(fit.residuals) < FEWEST_COARSE:
            return False
        return left[-1] > (1.0 - HARDLY) * left[-1 - LOOKS_BACK]

    @property
    def why_enough(self) -> str:
        """Why the poses end, in words."""
        assert self.fit is not None
        more = "" if self.fit.state is FitState.GOOD else "; the last ones have hardly helped"
        return f"{self.fit.reason}{more}"

    def newly_left_out(self) -> tuple[set[tuple[float, int]], list[str]]:
        """Return which poses have turned out not to fit, each once, and what to say of them."""
        if self.fit is None or self.fit.degrees_of_freedom < SURE_DOF:
            return set(), []
        out = left_out(self.fit)
        new, back, self._told_out = out - self._told_out, self._told_out - out, out
        lines = [
            f"Pose {number} fits the others after all."
            for number, one in enumerate(self.fit.residuals, start=1)
            if (one.pose.start_s, one.pose.stretch) in back
        ]
        lines += [
            f"Pose {number} does not fit the others and is left out: {one.reason}. "
            f"Hold it so again: {pose_words(one.pose.accel_g)}."
            for number, one in enumerate(self.fit.residuals, start=1)
            if (one.pose.start_s, one.pose.stretch) in new
        ]
        return new, lines

    def unsettled(self) -> str:
        """Return what the poses leave open, and what would settle it."""
        return "Nothing is settled." if self.fit is None else unsettled_words(self.fit)

    def wanted(self, poses: Sequence[Pose]) -> tuple[Direction, ...]:
        """Return the directions to ask for: the faces first, then what the fit lacks."""
        if len(poses) >= ASKS_FACES_UNTIL and self.fit is not None and self.fit.suggestions:
            return tuple(direction_of(up) for up in self.fit.suggestions[:3])
        nearest = coverage(np.array([p.accel_g for p in poses])).nearest_deg[:6]
        far = [int(i) for i in np.argsort(-nearest, kind="stable") if nearest[i] > COVERED_DEG]
        return tuple(direction_of(SECTORS[i]) for i in far[:3])

    def sphere(self, poses: Sequence[Pose], now: FloatArray | None) -> Sphere:
        """Return what the picture shows."""
        out = set() if self.fit is None else left_out(self.fit)
        return Sphere(
            taken=tuple(
                direction_of(p.accel_g) for p in poses if (p.start_s, p.stretch) not in out
            ),
            left_out=tuple(direction_of(p.accel_g) for p in poses if (p.start_s, p.stretch) in out),
            wanted=self.wanted(poses),
            now=None if now is None else direction_of(now),
        )


def left_out(fit: AccelerometerFit) -> set[tuple[float, int]]:
    """Return start and stretch of the poses that do not fit the others."""
    return {(one.pose.start_s, one.pose.stretch) for one in fit.residuals if not one.used}


def unsettled_words(fit: AccelerometerFit) -> str:
    """Return why a fit is no better, and which poses would help."""
    reason = f"{fit.reason[:1].upper()}{fit.reason[1:]}."
    if not fit.suggestions:
        return reason
    poses = "; ".join(f"{pose_words(up)} ({axes_words(up)})" for up in fit.suggestions[:3])
    return f"{reason} These poses would help: {poses}."


def direction_of(up: FloatArray) -> Direction:
    """Return a reading as a unit vector."""
    x, y, z = unit(up)
    return float(x), float(y), float(z)


def corrected_up(pose: Pose, fit: AccelerometerFit | None) -> FloatArray:
    """Return "up" of a pose by what is fitted so far, unit length, shape (3,)."""
    if fit is None:
        return unit(pose.accel_g)
    return unit(np.linalg.solve(fit.matrix, pose.accel_g - fit.bias_g))


def quarter_deg(up: FloatArray) -> float:
    """Return how far the pod is turned about its +Y."""
    return float(np.degrees(np.arctan2(up[0], up[2])))
