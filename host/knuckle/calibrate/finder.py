"""Find the poses of a hand-held pod, as samples arrive or over a whole recording.

A wheel's rest is told from a creep of a hundredth of a degree; a hand trembles and drifts all the
while, and a pose is good all the same: only the length of the reading counts for a calibration,
hardly its direction. So a pose is what lies between two turns of the pod.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from knuckle.calibrate.pose import Pose
from knuckle.geometry.rotation import unit
from knuckle.model.block import Block, FloatArray

CELL_S: Final = 0.1
WINDOW: Final = 3
"""Cells that are averaged on each side of where a turn is looked for: a hand's tremor of 4 Hz and
more hardly gets through."""
TURNS_G: Final = 0.05
"""Change from one window to the next that is a turn: about 10 deg/s."""
SHAKES_G: Final = 0.06
"""Scatter within a cell, all axes, above which nothing counts as held."""
TURNS_DPS: Final = 12.0
UNKNOWN_BIAS_DPS: Final = 35.0
"""The same by the gyro, before and after its bias is known from poses: a sensor's zero rate is 20
deg/s at most (MPU-6050 data sheet rev 3.3)."""
LEAST_CELLS: Final = 5
"""A shorter stillness is a pause on the way."""
LEAST_SIGMA_G: Final = 1e-4
TREMOR_LEFT: Final = 0.1
"""Share of the cells' variance that counts for their mean: a tremor swings to and fro, so that it
averages far better than independent cells do; what is left shows in how the poses agree."""
EDGES: Final = 1
"""Cells left out at both ends of a pose of `WHOLE_CELLS` or more: the turns begin and end there."""
WHOLE_CELLS: Final = 10


@dataclass(frozen=True, slots=True)
class PoseEvent:
    """Something the finder has noticed.

    Attributes
    ----------
    kind : {"held", "ended"}
        "held": with every further cell of a pose that is long enough; "ended": it is over.
    at_s : float
        Pod time of the sample that settled it.
    pose : Pose
        So far, or whole.
    """

    kind: Literal["held", "ended"]
    at_s: float
    pose: Pose


@dataclass(slots=True)
class _Cell:
    accel_g: FloatArray
    gyro_dps: FloatArray | None
    temp_c: float
    scatter_g: float
    start_s: float
    end_s: float
    stretch: int
    clipped: bool


class PoseFinder:
    """Finds poses in the samples of one pod.

    Everything is judged in cells of `CELL_S` counted from each stretch's first sample, so that the
    result does not depend on how the samples are cut into blocks.

    Parameters
    ----------
    rate_hz : float
        Nominal rate of the samples.
    live : bool
        Whether "held" is told while a pose goes on.

    Raises
    ------
    ValueError
        If the rate is not positive.
    """

    def __init__(self, rate_hz: float, *, live: bool = True) -> None:
        if not rate_hz > 0.0:
            raise ValueError(f"a rate of {rate_hz} Hz is not positive")
        self._live = live
        self._size = max(2, round(rate_hz * CELL_S))
        self._waiting: list[Block] = []
        self._count = 0
        self._cells: list[_Cell] = []
        self._first = 0
        """The group's first cell among `_cells`."""
        self._ended: list[Pose] = []
        self._bias_dps: list[FloatArray] = []

    @property
    def poses(self) -> tuple[Pose, ...]:
        """The poses that are over, in order."""
        return tuple(self._ended)

    def push(self, block: Block) -> list[PoseEvent]:
        """Take samples in order; return what they tell."""
        events: list[PoseEvent] = []
        for part in _by_stretch(block):
            if self._stretch not in (None, int(part.stretch[0])):
                events += self.finish()
            at = 0
            while at < len(part):
                taken = min(self._size - self._count, len(part) - at)
                self._waiting.append(part.part(at, at + taken))
                self._count += taken
                at += taken
                if self._count == self._size:
                    events += self._took(_cell(self._waiting))
                    self._waiting, self._count = [], 0
        return events

    def finish(self) -> list[PoseEvent]:
        """End the pose under way, as at a gap or at the end."""
        events: list[PoseEvent] = []
        if self._cells:
            events = self._end(len(self._cells))
        self._cells, self._first = [], 0
        self._waiting, self._count = [], 0
        return events

    @property
    def _stretch(self) -> int | None:
        if self._waiting:
            return int(self._waiting[0].stretch[0])
        return self._cells[-1].stretch if self._cells else None

    def _took(self, cell: _Cell) -> list[PoseEvent]:
        """Judge the boundary that now has a whole window on both sides."""
        self._cells.append(cell)
        at = len(self._cells) - WINDOW
        if at < 1:
            return []
        if self._turns_at(at):
            return self._end(at)
        if not self._live or at - self._first < LEAST_CELLS:
            return []
        pose = self._pose(at)
        return [PoseEvent("held", cell.end_s, pose)]

    def _turns_at(self, at: int) -> bool:
        """Whether the pod turns, or is shaken, between cells at - 1 and at."""
        before, after = self._cells[max(0, at - WINDOW) : at], self._cells[at : at + WINDOW]
        near = (self._cells[at - 1], self._cells[at])
        if any(cell.scatter_g > SHAKES_G for cell in near):
            return True
        change = _mean([c.accel_g for c in after]) - _mean([c.accel_g for c in before])
        if float(np.linalg.norm(change)) > TURNS_G:
            return True
        rates = [c.gyro_dps for c in (*before, *after) if c.gyro_dps is not None]
        if not rates:
            return False
        rate_dps, limit_dps = _mean(rates), UNKNOWN_BIAS_DPS
        if self._bias_dps:
            rate_dps = rate_dps - np.median(self._bias_dps, axis=0)
            limit_dps = TURNS_DPS
        return float(np.linalg.norm(rate_dps)) > limit_dps

    def _end(self, at: int) -> list[PoseEvent]:
        """End the group before cell `at`, and begin another there."""
        events: list[PoseEvent] = []
        if at - self._first >= LEAST_CELLS:
            pose = self._pose(at)
            self._ended.append(pose)
            if pose.gyro_dps is not None:
                self._bias_dps.append(pose.gyro_dps)
            events.append(PoseEvent("ended", self._cells[-1].end_s, pose))
        keep = max(0, at - WINDOW)
        self._cells = self._cells[keep:]
        self._first = at - keep
        return events

    def _pose(self, at: int) -> Pose:
        cells = self._cells[self._first : at]
        if len(cells) >= WHOLE_CELLS:
            cells = cells[EDGES:-EDGES]
        means = np.array([cell.accel_g for cell in cells])
        n = len(cells)
        x = np.linspace(-1.0, 1.0, n)
        mean = means.mean(axis=0)
        slope = x @ (means - mean) / float(x @ x)
        rest = means - mean - np.outer(x, slope)
        covariance = TREMOR_LEFT * rest.T @ rest / (n - 2) / n + np.eye(3) * LEAST_SIGMA_G**2
        start, end = unit(mean - slope), unit(mean + slope)
        gyro = [cell.gyro_dps for cell in cells if cell.gyro_dps is not None]
        temps = [cell.temp_c for cell in cells if np.isfinite(cell.temp_c)]
        return Pose(
            accel_g=mean,
            covariance_g2=covariance,
            turned_deg=float(np.degrees(np.arccos(np.clip(start @ end, -1.0, 1.0)))),
            gyro_dps=_mean(gyro) if gyro else None,
            temp_c=float(np.mean(temps)) if temps else None,
            start_s=cells[0].start_s,
            end_s=cells[-1].end_s,
            stretch=cells[0].stretch,
            clipped=any(cell.clipped for cell in cells),
        )


def find_poses(block: Block) -> tuple[Pose, ...]:
    """Return the poses of a whole recording.

    Parameters
    ----------
    block : Block
        Not corrected.
    """
    finder = PoseFinder(block.rate_hz, live=False)
    finder.push(block)
    finder.finish()
    return finder.poses


def _by_stretch(block: Block) -> Iterator[Block]:
    edges = [0, *(np.flatnonzero(np.diff(block.stretch)) + 1).tolist(), len(block)]
    for first, end in pairwise(edges):
        if end > first:
            yield block.part(first, end)


def _cell(parts: list[Block]) -> _Cell:
    accel_g = np.concatenate([part.accel_g for part in parts])
    gyro = [part.gyro_dps for part in parts if part.gyro_dps is not None]
    temps = np.concatenate(
        [np.full(len(p), np.nan) if p.temp_c is None else p.temp_c for p in parts]
    )
    temps = temps[np.isfinite(temps)]
    return _Cell(
        accel_g=accel_g.mean(axis=0),
        gyro_dps=np.concatenate(gyro).mean(axis=0) if len(gyro) == len(parts) else None,
        temp_c=float(temps.mean()) if temps.size else float("nan"),
        scatter_g=float(np.sqrt(np.sum(np.var(accel_g, axis=0)))),
        start_s=float(parts[0].t_s[0]),
        end_s=float(parts[-1].t_s[-1]),
        stretch=int(parts[0].stretch[0]),
        clipped=any(bool(part.clipped.any()) for part in parts),
    )


def _mean(values: list[FloatArray]) -> FloatArray:
    return np.asarray(np.mean(values, axis=0))
