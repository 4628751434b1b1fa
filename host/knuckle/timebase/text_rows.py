"""Sample lines of the text format to blocks, as they arrive."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.model.block import LONGEST_BRIDGED_GAP_S, Block, BoolArray, FloatArray, IntArray
from knuckle.model.linear import LinearBlock
from knuckle.timebase.assembled import Assembled
from knuckle.wire.columns import ACCEL, GYRO, TEMPERATURE, TIME_MS, TIME_S, linear_names
from knuckle.wire.fullscale import stated_range_g
from knuckle.wire.messages import TextHeader, TextSample
from knuckle.wire.samples import CLIPPED_FROM

RATE_FROM: Final = 25
"""Samples that are held back until their median step tells the rate."""


class TextRows:
    """Puts text samples on a time base that starts at 0 and never runs back.

    A text pod does not state its rate: the first `RATE_FROM` samples are held back until
    their median step is known. Time that does not go forward is a restart of the pod; a step
    that leaves out more than `LONGEST_BRIDGED_GAP_S` begins a new stretch. What has no
    accelerometer, or lacks the gyro that the first rows had, is lost to the block.

    Parameters
    ----------
    restart_pause_s : float
        Pod time put in at a restart.
    """

    def __init__(self, restart_pause_s: float) -> None:
        self.restarts = 0
        self._pause_s = restart_pause_s
        self._columns: tuple[str, ...] = ()
        self._limit_g = float("inf")
        self._held: list[tuple[float, ...]] = []
        self._period_s = 0.0
        self._offset_s = 0.0
        self._last_s: float | None = None
        self._has_gyro: bool | None = None
        self._motion = _Rows()
        self._lengths = _Rows()
        self._linear_places: dict[str, int] = {}

    @property
    def linear_names(self) -> tuple[str, ...]:
        """The linear columns in their places."""
        return tuple(self._linear_places)

    def push(self, message: TextHeader | TextSample) -> Assembled:
        """Take a line and return the samples it sets free."""
        if isinstance(message, TextHeader):
            self._take_header(message)
            return Assembled(None, None)
        if not self._columns or len(message.values) != len(self._columns):
            return Assembled(None, None)
        self._held.append(message.values)
        waiting = self._period_s == 0.0
        if waiting and (len(self._held) < RATE_FROM or not self._find_period()):
            return Assembled(None, None)
        return self._release()

    def _take_header(self, header: TextHeader) -> None:
        full_scale_g = stated_range_g(dict(header.facts))
        self._limit_g = float("inf") if full_scale_g is None else CLIPPED_FROM * full_scale_g
        if header.columns != self._columns:
            # Held rows belong to the old columns and are too few to tell a rate.
            self._held.clear()
            self._columns = header.columns
            for name in linear_names(header.columns):
                self._linear_places.setdefault(name, len(self._linear_places))

    def _seconds(self, row: tuple[float, ...]) -> float:
        if TIME_S in self._columns:
            return row[self._columns.index(TIME_S)]
        return row[self._columns.index(TIME_MS)] / 1000.0

    def _find_period(self) -> bool:
        times = np.array([self._seconds(row) for row in self._held])
        steps = np.diff(times)
        steps = np.sort(steps[steps > 0.0])
        if not steps.size:
            self._held.clear()
            return False
        self._period_s = float(steps[(steps.size - 1) // 2])
        return True

    def _release(self) -> Assembled:
        rows = self._held
        self._held = []
        t_s = np.empty(len(rows))
        restarted = np.zeros(len(rows), dtype=np.bool_)
        for i, row in enumerate(rows):
            now_s = self._seconds(row)
            if self._last_s is None:
                self._offset_s = -now_s
            elif now_s + self._offset_s <= self._last_s:
                self.restarts += 1
                restarted[i] = True
                self._offset_s = self._last_s + self._pause_s - now_s
            t_s[i] = now_s + self._offset_s
            self._last_s = float(t_s[i])
        data = np.array(rows, dtype=np.float64)
        linear_mm = self._linear(data)
        found = Assembled(None, None)
        if self._admits():
            found.block = self._block(t_s, data, linear_mm, restarted)
        elif restarted.any():
            self._motion.restart()
        read: BoolArray = np.zeros(len(t_s), dtype=np.bool_)
        if linear_mm is not None:
            read = np.asarray(~np.isnan(linear_mm).all(axis=1))
        if linear_mm is not None and read.any():
            since = np.cumsum(restarted)[read]
            first = np.diff(since, prepend=0) > 0
            lost, stretch = self._lengths.take(t_s[read], first, self._period_s)
            found.linear = LinearBlock(
                t_s[read], linear_mm[read], lost, stretch, 1.0 / self._period_s
            )
        elif restarted.any():
            self._lengths.restart()
        return found

    def _admits(self) -> bool:
        """Return whether the rows belong into a block."""
        if not set(ACCEL) <= set(self._columns):
            return False
        has_gyro = set(GYRO) <= set(self._columns)
        if self._has_gyro is None:
            self._has_gyro = has_gyro
        return has_gyro or not self._has_gyro

    def _block(
        self,
        t_s: FloatArray,
        data: FloatArray,
        linear_mm: FloatArray | None,
        restarted: BoolArray,
    ) -> Block:
        accel_g = self._picked(data, ACCEL)
        assert accel_g is not None
        temp_c = self._picked(data, (TEMPERATURE,))
        lost, stretch = self._motion.take(t_s, restarted, self._period_s)
        return Block(
            t_s=t_s,
            accel_g=accel_g,
            gyro_dps=self._picked(data, GYRO) if self._has_gyro else None,
            temp_c=None if temp_c is None else temp_c[:, 0],
            linear_mm=linear_mm,
            lost_before=lost,
            stretch=stretch,
            clipped=np.any(np.abs(accel_g) >= self._limit_g, axis=1),
            rate_hz=1.0 / self._period_s,
        )

    def _picked(self, data: FloatArray, names: tuple[str, ...]) -> FloatArray | None:
        places = [self._columns.index(name) for name in names if name in self._columns]
        return data[:, places] if places else None

    def _linear(self, data: FloatArray) -> FloatArray | None:
        """Return the linear columns, each in the place that its name had first."""
        names = linear_names(self._columns)
        if not names:
            return None
        wide = np.full((data.shape[0], len(self._linear_places)), np.nan)
        for name in names:
            wide[:, self._linear_places[name]] = data[:, self._columns.index(name)]
        return wide


class _Rows:
    """Counts what is missing between rows of one kind, as `track.Track` does for ticks."""

    def __init__(self) -> None:
        self._last_s: float | None = None
        self._begun = False
        self._stretch = 0

    def restart(self) -> None:
        """Take note of a restart in which no row of this kind came."""
        self._last_s = None

    def take(
        self, t_s: FloatArray, restarted: BoolArray, period_s: float
    ) -> tuple[IntArray, IntArray]:
        """Return samples missing before each row, and its stretch; both shape (n,)."""
        lost = np.zeros(len(t_s), dtype=np.int64)
        stretch = np.empty(len(t_s), dtype=np.int64)
        for i, now_s in enumerate(t_s.tolist()):
            if restarted[i]:
                self._last_s = None
            if self._last_s is None:
                self._stretch += self._begun
            else:
                step_s = now_s - self._last_s
                lost[i] = max(0, round(step_s / period_s) - 1)
                self._stretch += bool(lost[i] and step_s - period_s > LONGEST_BRIDGED_GAP_S)
            stretch[i] = self._stretch
            self._last_s = now_s
            self._begun = True
        return lost, stretch
