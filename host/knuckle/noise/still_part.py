"""Which part of a record is fit to tell a pod's noise: still, undisturbed, of one temperature."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
from scipy.ndimage import median_filter

from knuckle.model.block import Block, BoolArray, FloatArray, IntArray
from knuckle.model.rest import Rest
from knuckle.model.result import Notice
from knuckle.rests.cells import sensor_cells
from knuckle.rests.detector import RestDetector
from knuckle.rests.gaps import unbroken
from knuckle.rests.settings import RestSettings

SHORT_HOLE_S: Final = 1.0
"""A pause between two rests up to this long is judged by its noise alone."""
ONE_TEMPERATURE_C: Final = 1.0
"""Warming by more moves zero points farther than noise does (data sheet drift, 0.8 mg a degree)."""
_TEMPERATURE_OVER_S: Final = 10.0
_AT_A_TIME: Final = 240_000
"""Samples that one detector judges: it holds a rest whole until it ends, which of an hour takes
much memory. A rest that goes on is joined to the next part's."""
_AROUND: Final = 3
"""Cells left out on either side of a disturbed one."""
_LEVEL_CELLS: Final = 15
_STRAY: Final = 30.0
"""Square of a cell mean's distance from the level over the median one, from which it is no noise:
beyond 8 sigma of one axis."""
_TINY: Final = 1e-24


@dataclass(frozen=True, slots=True)
class StillPart:
    """What of a record can be used.

    Attributes
    ----------
    good : ndarray of bool, shape (n,)
    piece : ndarray of int, shape (n,)
        Counts up wherever the pod was moved, restarted, or away for long: levels before and after
        have nothing to do with each other.
    moved_s, disturbed_s, warming_s : float
        Time left out because the pod was not at rest, because of short disturbances, and because
        the temperature had not settled.
    knocks : int
        Short disturbances.
    """

    good: BoolArray
    piece: IntArray
    moved_s: float
    disturbed_s: float
    warming_s: float
    knocks: int

    def notices(self, total_s: float) -> list[Notice]:
        """Return what must be said of it."""
        found = []
        if self.moved_s > 0.0:
            found.append(
                Notice(
                    "NOISE_MOVED",
                    f"The pod was not at rest for {self.moved_s:.1f} of {total_s:.0f} s: left out.",
                )
            )
        if self.knocks:
            found.append(
                Notice(
                    "NOISE_KNOCKS",
                    f"{self.knocks} short disturbance{'s' * (self.knocks > 1)} "
                    f"({self.disturbed_s:.1f} s) left out.",
                )
            )
        if self.warming_s > 0.0:
            found.append(
                Notice(
                    "NOISE_TEMPERATURE",
                    f"The temperature went by more than {ONE_TEMPERATURE_C:g} C: the steadiest "
                    f"part is used, {self.warming_s:.0f} of {total_s:.0f} s are left out. Let the "
                    "pod warm up for ten minutes first.",
                )
            )
        return found


def still_part(block: Block, settings: RestSettings | None = None) -> StillPart:
    """Find the part of a record in which nothing but noise speaks.

    The pod's own detector of rests says where it was at rest, against its own floor; cells whose
    noise stands out from the record's usual one are left out with their neighbours; of a record
    that warmed by more than a degree the longest part within a degree is kept.
    """
    settings = settings or RestSettings()
    n, period_s = len(block), 1.0 / block.rate_hz
    size = settings.cell_size(block.rate_hz)
    still, piece = _at_rest(block, settings)
    loud, knocks = _loud(block, size, still, settings)
    steady = _one_temperature(block, still & ~loud)
    quiet = still & ~loud
    return StillPart(
        quiet & steady & ~block.clipped,
        piece,
        float((~still).sum()) * period_s if n else 0.0,
        float((still & loud).sum()) * period_s,
        float((quiet & ~steady).sum()) * period_s,
        knocks,
    )


def _at_rest(block: Block, settings: RestSettings) -> tuple[BoolArray, IntArray]:
    still = np.zeros(len(block), dtype=np.bool_)
    starts = np.diff(block.stretch, prepend=block.stretch[:1]) != 0
    rests = _rests(block, settings)
    for rest in rests:
        still[rest.first : rest.end] = True
    for before, after in pairwise(rests):
        if before.stretch == after.stretch:
            if _is_pause(before, after, settings):
                still[before.end : after.first] = True
            else:
                starts[after.first] = True
    # The detector judges whole cells: what is left over at the end of a rest is no move.
    size = settings.cell_size(block.rate_hz)
    for rest in rests:
        end = min(rest.end + size, len(block))
        same = block.stretch[rest.end : end] == rest.stretch
        if not still[rest.end : end].any() and (end == len(block) or not same.all()):
            still[rest.end : end] = same
    return still, np.cumsum(starts)


def _rests(block: Block, settings: RestSettings) -> list[Rest]:
    rests: list[Rest] = []
    count = max(1, -(-len(block) // _AT_A_TIME))
    edges = np.linspace(0, len(block), count + 1).astype(int).tolist()
    for first, end in pairwise(edges):
        detector = RestDetector(block.rate_hz, block.gyro_dps is not None, settings)
        detector.push(block.part(first, end))
        detector.finish()
        rests += [
            replace(rest, first=rest.first + first, end=rest.end + first)
            for rest in detector.rests()
        ]
    return rests


def _is_pause(before: Rest, after: Rest, settings: RestSettings) -> bool:
    """Whether nothing but a short doubt lies between two rests."""
    if after.start_s - before.end_s > SHORT_HOLE_S:
        return False
    scatter = np.sqrt(np.diag(before.accel_cov_g2) + np.diag(after.accel_cov_g2))
    apart = np.abs(after.accel_g - before.accel_g)
    return bool(np.all(apart <= np.maximum(settings.level_tolerance_g, 5.0 * scatter)))


def _loud(
    block: Block, size: int, still: BoolArray, settings: RestSettings
) -> tuple[BoolArray, int]:
    """Find cells whose noise or level stands out, and count the disturbances they make."""
    limit = max(settings.loudness, 1.0 + 7.0 * math.sqrt(2.0 / (size - 1)))
    sensors = [block.accel_g] + ([] if block.gyro_dps is None else [block.gyro_dps])
    loud = np.zeros(len(block), dtype=np.bool_)
    cells: list[tuple[int, int]] = []
    powers: list[list[FloatArray]] = [[] for _ in sensors]
    strays: list[list[FloatArray]] = [[] for _ in sensors]
    turns = np.flatnonzero(np.diff(still.astype(np.int8))) + 1
    edges = unbroken(block.t_s, block.stretch, 1.0 / block.rate_hz)
    for first, end in pairwise(sorted({*edges, *turns.tolist()})):
        whole = (end - first) // size
        if not whole or not still[first]:
            continue
        cells += [(first + i * size, first + (i + 1) * size) for i in range(whole)]
        for power, stray, values in zip(powers, strays, sensors, strict=True):
            found = sensor_cells(values[first : first + whole * size], size, None)
            power.append(found.inner)
            stray.append(np.asarray(((found.mean - _running_median(found.mean)) ** 2).sum(axis=1)))
    if not cells:
        return loud, 0
    over = np.zeros(len(cells), dtype=np.bool_)
    for power, stray in zip(powers, strays, strict=True):
        for measure, highest in ((power, limit), (stray, _STRAY)):
            each = np.concatenate(measure)
            over |= each > highest * max(float(np.median(each)), _TINY)
    knocks, last = 0, -10 * _AROUND
    for at in np.flatnonzero(over).tolist():
        knocks += at - last > 2 * _AROUND
        last = at
        low, high = max(0, last - _AROUND), min(len(cells) - 1, last + _AROUND)
        for first, end in cells[low : high + 1]:
            loud[first:end] = True
    return loud, int(knocks)


def _running_median(means: FloatArray) -> FloatArray:
    """Return the median of each axis over a second and a half, shape as given."""
    width = min(_LEVEL_CELLS, len(means))
    return np.asarray(median_filter(means, size=(width, 1), mode="nearest"))


def _one_temperature(block: Block, usable: BoolArray) -> BoolArray:
    """Find the longest part within one degree, by means over some seconds."""
    steady = np.ones(len(block), dtype=np.bool_)
    if block.temp_c is None:
        return steady
    over = max(1, round(_TEMPERATURE_OVER_S * block.rate_hz))
    starts = np.arange(0, len(block), over)
    smooth = np.array([_mean(block.temp_c[at : at + over]) for at in starts])
    known = np.flatnonzero(np.isfinite(smooth))
    if not len(known) or float(np.ptp(smooth[known])) <= ONE_TEMPERATURE_C:
        return steady
    counts = np.add.reduceat(usable.astype(np.int64), starts)
    first, end = _longest_within(smooth[known], counts[known], ONE_TEMPERATURE_C)
    steady[:] = False
    steady[starts[known[first]] : min(len(block), starts[known[end - 1]] + over)] = True
    return steady


def _mean(values: FloatArray) -> float:
    read = values[np.isfinite(values)]
    return float(read.mean()) if read.size else math.nan


def _longest_within(values: FloatArray, weight: IntArray, spread: float) -> tuple[int, int]:
    """Return the run of most weight whose values lie within a spread: first, end (exclusive)."""
    best, place, low = -1, (0, 1), 0
    sums = np.concatenate(([0], np.cumsum(weight)))
    for end in range(1, len(values) + 1):
        while float(np.ptp(values[low:end])) > spread:
            low += 1
        if sums[end] - sums[low] > best:
            best, place = int(sums[end] - sums[low]), (low, end)
    return place


def on_grid(
    values: FloatArray, good: BoolArray, lost_before: IntArray, piece: IntArray
) -> list[FloatArray]:
    """Lay one channel on steps of equal length, one series a piece, NaN where there is nothing.

    Parameters
    ----------
    values : ndarray, shape (n,)
    good, lost_before, piece : ndarray, shape (n,)
        As in `StillPart` and `Block`.
    """
    series = []
    edges = np.flatnonzero(np.diff(piece)) + 1
    for first, end in pairwise([0, *edges.tolist(), len(values)]):
        cut = slice(first, end)
        if not good[cut].any():
            continue
        place = np.cumsum(lost_before[cut] + 1)
        place -= place[0]
        grid = np.full(int(place[-1]) + 1, np.nan)
        grid[place[good[cut]]] = values[cut][good[cut]]
        there = np.flatnonzero(np.isfinite(grid))
        if len(there):
            series.append(grid[there[0] : there[-1] + 1])
    return series
