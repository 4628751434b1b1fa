"""What a wheel-turn run yields for the fit: stops, or short means of a slow turn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.analysis.readings import STEEPEST_CAMBER_DEG
from knuckle.estimate.wheel_model import READING_FLOOR_G
from knuckle.geometry.cone import angles_about, fit_cone
from knuckle.model.block import Block, FloatArray
from knuckle.model.rest import Rest

CELL_S: Final = 0.25
MOST_CELLS: Final = 200
"""Of a longer turn the means are longer."""
ENDS_S: Final = 0.5
PLACE_DEG: Final = 15.0
"""Stops closer than this are one place."""
LARGEST_GAP_DEG: Final = 200.0
"""Of the turn: a larger part without readings leaves the plane to chance."""
LEAST_PLACES: Final = 3
_NOT_TURNING_G: Final = 0.1
"""A mean whose size is that far from the middle one is of a pod that is knocked or carried."""


@dataclass(frozen=True)
class TurnData:
    """Readings round the turn.

    Attributes
    ----------
    readings_g : ndarray, shape (n, 3)
    noise_g : ndarray, shape (n,)
        Standard uncertainty of each, any direction, by noise alone.
    t_s : ndarray, shape (n,)
    stops : bool
        Whether they are stops; else means of a slow turn.
    """

    readings_g: FloatArray
    noise_g: FloatArray
    t_s: FloatArray
    stops: bool

    @property
    def angles_deg(self) -> FloatArray:
        """Turn of the wheel at each, from the first, within one turn, shape (n,)."""
        axis = fit_cone(self.readings_g).axis
        return np.degrees(angles_about(axis, self.readings_g, self.readings_g[0])) % 360.0


def stops_of(rests: list[Rest]) -> TurnData:
    """Return rests as readings round the turn."""
    variance = [np.trace(rest.accel_cov_g2) / 3.0 + READING_FLOOR_G**2 for rest in rests]
    return TurnData(
        np.array([rest.accel_g for rest in rests]).reshape(-1, 3),
        np.sqrt(np.array(variance)),
        np.array([(rest.start_s + rest.end_s) / 2.0 for rest in rests]),
        True,
    )


def cells_of(block: Block, rests: list[Rest]) -> TurnData:
    """Return short means over a stretch of samples, from its first rest to its last.

    Where there is one rest only it is the whole stretch.

    Parameters
    ----------
    block : Block
        Of one seat of the pod.
    rests : list of Rest
        In it; they give the noise of a sample.
    """
    i, j = 0, len(block)
    if len(rests) > 1:
        i, j = np.searchsorted(block.t_s, [rests[0].start_s, rests[-1].end_s])
    accel, t_s = block.accel_g[i:j], block.t_s[i:j]
    size = max(2, round(CELL_S * block.rate_hz), -(-len(accel) // MOST_CELLS))
    count = len(accel) // size
    cells = accel[: count * size].reshape(count, size, 3).mean(axis=1)
    middle_s = t_s[: count * size].reshape(count, size).mean(axis=1)
    length_g = np.linalg.norm(cells, axis=1)
    usual_g = float(np.median(length_g)) if count else 1.0
    steepest_g = usual_g * np.sin(np.radians(STEEPEST_CAMBER_DEG))
    sound = (np.abs(length_g - usual_g) < _NOT_TURNING_G) & (np.abs(cells[:, 1]) < steepest_g)
    per_sample = np.mean(
        [np.trace(rest.accel_cov_g2) / 3.0 * np.mean(rest.effective_count) for rest in rests]
    )
    noise = np.full(int(sound.sum()), np.sqrt(per_sample / size + READING_FLOOR_G**2))
    return TurnData(cells[sound], noise, middle_s[sound], False)


def ends_of(block: Block) -> tuple[FloatArray, FloatArray]:
    """Return the mean readings of the first and of the last half second, each shape (3,)."""
    size = max(1, min(len(block), round(ENDS_S * block.rate_hz)))
    return block.accel_g[:size].mean(axis=0), block.accel_g[-size:].mean(axis=0)


def places(angles_deg: FloatArray) -> list[float]:
    """Return the distinct places among angles within one turn, in order."""
    found: list[float] = []
    for angle in np.sort(angles_deg):
        if not found or angle - found[-1] >= PLACE_DEG:
            found.append(float(angle))
    if len(found) > 1 and found[0] + 360.0 - found[-1] < PLACE_DEG:
        found.pop()
    return found


def largest_gap_deg(angles_deg: FloatArray) -> float:
    """Return the largest part of the turn without readings."""
    ordered = np.sort(angles_deg)
    if ordered.size < 2:
        return 360.0
    return float(np.max(np.diff(np.append(ordered, ordered[0] + 360.0))))


def turn_data(block: Block, rests: list[Rest]) -> TurnData:
    """Return stops where there are enough of them, round enough of the turn; else short means."""
    if len(rests) >= LEAST_PLACES:
        stops = stops_of(rests)
        angles = stops.angles_deg
        if len(places(angles)) >= LEAST_PLACES and largest_gap_deg(angles) <= LARGEST_GAP_DEG:
            return stops
    return cells_of(block, rests)
