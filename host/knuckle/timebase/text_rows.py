"""Sample lines of the text format to blocks, as they arrive."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.model.block import LONGEST_BRIDGED_GAP_S, Block, FloatArray
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
    that leaves out more than `LONGEST_BRIDGED_GAP_S` begins a new stretch.

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
        self._stretch = 0

    def push(self, message: TextHeader | TextSample) -> Block | None:
        """Take a line and return the samples it sets free, or None."""
        if isinstance(message, TextHeader):
            return self._take_header(message)
        if not self._columns or len(message.values) != len(self._columns):
            return None
        self._held.append(message.values)
        waiting = self._period_s == 0.0
        if waiting and (len(self._held) < RATE_FROM or not self._find_period()):
            return None
        return self._release()

    def _take_header(self, header: TextHeader) -> Block | None:
        full_scale_g = stated_range_g(dict(header.facts))
        self._limit_g = float("inf") if full_scale_g is None else CLIPPED_FROM * full_scale_g
        if header.columns != self._columns:
            # Held rows belong to the old columns and are too few to tell a rate.
            self._held.clear()
            self._columns = header.columns
        return None

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

    def _release(self) -> Block:
        rows = self._held
        self._held = []
        t_s = np.empty(len(rows))
        lost = np.zeros(len(rows), dtype=np.int64)
        stretch = np.empty(len(rows), dtype=np.int64)
        for i, row in enumerate(rows):
            now_s = self._seconds(row)
            if self._last_s is None:
                self._offset_s = -now_s
            else:
                step_s = now_s + self._offset_s - self._last_s
                if step_s <= 0.0:
                    self.restarts += 1
                    self._stretch += 1
                    self._offset_s = self._last_s + self._pause_s - now_s
                else:
                    lost[i] = max(0, round(step_s / self._period_s) - 1)
                    if lost[i] and step_s - self._period_s > LONGEST_BRIDGED_GAP_S:
                        self._stretch += 1
            t_s[i] = now_s + self._offset_s
            stretch[i] = self._stretch
            self._last_s = float(t_s[i])
        data = np.array(rows, dtype=np.float64)

        def columns(names: tuple[str, ...]) -> FloatArray | None:
            places = [self._columns.index(name) for name in names if name in self._columns]
            return data[:, places] if places else None

        accel_g = columns(ACCEL)
        assert accel_g is not None
        temp_c = columns((TEMPERATURE,))
        return Block(
            t_s=t_s,
            accel_g=accel_g,
            gyro_dps=columns(GYRO),
            temp_c=None if temp_c is None else temp_c[:, 0],
            linear_mm=columns(linear_names(self._columns)),
            lost_before=lost,
            stretch=stretch,
            clipped=np.any(np.abs(accel_g) >= self._limit_g, axis=1),
            rate_hz=1.0 / self._period_s,
        )
