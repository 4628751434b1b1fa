"""What can be wrong with a simulated pod's sensors, supply and line: its faults at work."""

from __future__ import annotations

import numpy as np

from knuckle.model.block import BoolArray, FloatArray, IntArray
from knuckle.sim.case import Stream
from knuckle.sim.rig import Rig
from knuckle.wire.messages import Channel, ChannelKind, FaultCode

POD_ITSELF = 255
"""Channel of a fault that is the pod's own (docs/protocol.md)."""
_STUCK_AFTER_S = 1.0
_BUS_GOOD_AFTER_S = 1.0
_DROPPED_FOR_S = 5.0

Standing = set[tuple[FaultCode, int]]


class Ailments:
    """The faults of a scenario that touch readings, channels, counters and replies.

    Parameters
    ----------
    rig : Rig

    Attributes
    ----------
    channels : tuple of Channel
        The hello's table: without what is away from the start.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._faults = rig.scenario.faults
        self._rng = rig.case.generator(Stream.AILMENTS)
        away = self._away_from_start()
        kept = [i for i in range(len(rig.channels)) if i not in away]
        self.channels = tuple(rig.channels[i] for i in kept)
        axes = np.repeat(np.arange(len(rig.channels)), [c.axes for c in rig.channels])
        self._columns = np.flatnonzero(np.isin(axes, kept))
        self._rows = {row: i for i, row in enumerate(kept)}
        self._held: IntArray | None = None

    def from_start(self) -> Standing:
        """Return the faults that stand as soon as the pod has looked for its sensors."""
        faults = self._faults
        found: Standing = set()
        if not self.channels:
            found.add((FaultCode.SENSOR_MISSING, POD_ITSELF))
        if faults.wrong_part.on:
            found.add((FaultCode.SENSOR_IDENTITY, POD_ITSELF))
        if faults.supply_low.on and faults.supply_low.at_s <= 0.0:
            found.add((FaultCode.SUPPLY_LOW, POD_ITSELF))
        return found

    def standing(self, at_s: float) -> Standing:
        """Return what stands at a script time, apart from what `from_start` tells."""
        faults = self._faults
        found: Standing = set()
        missing = faults.sensor_missing
        if missing.on and not missing.at_boot and _within(at_s, missing.at_s, missing.length_s):
            found |= {(FaultCode.SENSOR_MISSING, row) for row in self._rows_of(missing.part)}
        stuck = faults.sensor_stuck
        if stuck.on and at_s >= stuck.at_s + _STUCK_AFTER_S and self._rows_of("accelerometer"):
            found.add((FaultCode.SENSOR_STUCK, 0))
        supply = faults.supply_low
        if supply.on and _within(at_s, supply.at_s, supply.length_s):
            found.add((FaultCode.SUPPLY_LOW, POD_ITSELF))
        bus = faults.bus_disturbed
        if bus.on and self.bus_errors(at_s) > self.bus_errors(at_s - _BUS_GOOD_AFTER_S):
            found.add((FaultCode.BUS, POD_ITSELF))
        dropped = faults.dropped
        if dropped.on and _within(at_s, dropped.at_s, dropped.length_s + _DROPPED_FOR_S):
            found.add((FaultCode.DROPPED, POD_ITSELF))
        return found

    def away(self, t_s: FloatArray) -> BoolArray:
        """Return which rows of the table do not answer, shape (n, rows)."""
        away = np.zeros((t_s.size, len(self.channels)), dtype=np.bool_)
        missing = self._faults.sensor_missing
        if missing.on and not missing.at_boot:
            gone = (t_s >= missing.at_s) & (t_s < missing.at_s + missing.length_s)
            away[:, sorted(self._rows_of(missing.part))] = gone[:, None]
        linear = self._rows.get(len(self._rig.chip.channels))
        if linear is not None:
            away[:, linear] = self._rig.away(t_s)
        return away

    def dropped(self, t_s: FloatArray) -> BoolArray:
        """Return which readings the pod throws away for want of room, shape (n,)."""
        fault = self._faults.dropped
        if not fault.on:
            return np.zeros(t_s.shape, dtype=np.bool_)
        return np.asarray((t_s >= fault.at_s) & (t_s < fault.at_s + fault.length_s))

    def read(self, raw: IntArray, t_s: FloatArray) -> IntArray:
        """Return raw counts, shape (n, axes of the table), with what is wrong with them."""
        noisy, stuck = self._faults.sensor_noisy, self._faults.sensor_stuck
        if noisy.on:
            accel = self._rig.channels[0]
            sigma = noisy.noise_g / accel.scale
            shake = np.rint(self._rng.standard_normal((t_s.size, 3)) * sigma)
            limit = 1 << (accel.bits - 1)
            raw = raw.copy()
            raw[:, :3] = np.clip(raw[:, :3] + shake, -limit, limit - 1)
        if stuck.on:
            raw = raw.copy()
            for i in np.flatnonzero(t_s >= stuck.at_s):
                if self._held is None:
                    self._held = raw[i, :3].copy()
                raw[i, :3] = self._held
        return np.ascontiguousarray(raw[:, self._columns])

    def tick_error(self, tick_hz: int) -> int:
        """Return by how many ticks the next frame's tick is wrong."""
        unsteady = self._faults.unsteady_ticks
        if not unsteady.on:
            return 0
        return round(float(self._rng.normal(0.0, unsteady.sigma_us * 1e-6 * tick_hz)))

    def bus_errors(self, at_s: float) -> int:
        """Return how often the bus has failed by a script time."""
        bus = self._faults.bus_disturbed
        if not bus.on or at_s < bus.at_s:
            return 0
        return 1 + int((at_s - bus.at_s) / bus.every_s)

    def verdicts(self) -> tuple[int, ...]:
        """Return the self-test's verdict on each row of the table."""
        failed = self._faults.self_test_fails
        rows = self._rows_of(failed.part) if failed.on else set()
        return tuple(
            int(FaultCode.SELF_TEST if row in rows else FaultCode.NONE)
            for row in range(len(self.channels))
        )

    def _away_from_start(self) -> set[int]:
        missing = self._faults.sensor_missing
        away: set[int] = set()
        if missing.on and missing.at_boot:
            away |= _alike(self._rig.chip.channels, missing.part)
        if self._faults.wrong_part.on:
            away |= _alike(self._rig.chip.channels, "accelerometer")
        return away

    def _rows_of(self, part: str) -> set[int]:
        """Return the rows of the table that belong to a part that is there."""
        alike = _alike(self._rig.chip.channels, part)
        return {self._rows[row] for row in alike if row in self._rows}


def _alike(channels: tuple[Channel, ...], part: str) -> set[int]:
    """Return all rows of the chip that is the accelerometer, or the gyro."""
    kind = ChannelKind.GYRO if part == "gyro" else ChannelKind.ACCELEROMETER
    chip = next((row.sensor for row in channels if row.kind is kind), None)
    return {i for i, row in enumerate(channels) if row.sensor is chip}


def _within(at_s: float, start_s: float, length_s: float) -> bool:
    return start_s <= at_s < start_s + length_s
