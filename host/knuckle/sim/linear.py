"""From a true length to the counts of a linear channel: potentiometer, draw-wire, caliper.

The rows are those of the pod's own firmware: a potentiometer's reading is the sum of 16
conversions of 10 bits, its travel taken as 100 mm; a caliper's unit is 0.0001 mm. The hello
carries a scale with the precision of 32 bits.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.model.block import BoolArray, FloatArray, IntArray
from knuckle.sim.case import Case, Stream
from knuckle.sim.linear_spec import LinearKind, LinearSensor
from knuckle.wire.messages import Channel, ChannelKind, Sensor

CONVERSIONS: Final = 16
STEPS: Final = 1024
TRAVEL_MM: Final = 100.0
CALIPER_UNIT_MM: Final = 0.0001
CALIPER_STEP: Final = 100
CALIPER_PERIOD_S: Final = 0.1
_SPARE_MM: Final = 12.34
_WAVES: Final = 4

POTENTIOMETER = Channel(
    ChannelKind.LINEAR,
    Sensor.POTENTIOMETER,
    axes=1,
    bits=15,
    scale=float(np.float32(TRAVEL_MM / (CONVERSIONS * (STEPS - 1)))),
    offset=0.0,
    full_scale=TRAVEL_MM,
    noise_density=0.0,
)
CALIPER = Channel(
    ChannelKind.LINEAR,
    Sensor.CALIPER,
    axes=1,
    bits=23,
    scale=float(np.float32(CALIPER_UNIT_MM)),
    offset=0.0,
    full_scale=419.4303,
    noise_density=0.0,
)


def linear_channels(sensor: LinearSensor) -> tuple[Channel, ...]:
    """Return the hello's rows of the linear channels."""
    if sensor.kind is LinearKind.NONE:
        return ()
    own = POTENTIOMETER if sensor.kind is LinearKind.POTENTIOMETER else CALIPER
    other = CALIPER if own is POTENTIOMETER else POTENTIOMETER
    return (own, other) if sensor.spare else (own,)


class LinearChannels:
    """The pod's linear sensors, with the faults that can be switched on.

    Readings are the same however the times are divided into calls.

    Attributes
    ----------
    channels : tuple of Channel
    """

    def __init__(self, case: Case) -> None:
        self._sensor = case.scenario.linear
        self._faults = case.scenario.faults
        self.channels = linear_channels(self._sensor)
        self._noise = case.generator(Stream.LINEAR)
        drawn = case.generator(Stream.LINEAR, 1)
        gain, offset = drawn.standard_normal(2)
        self.gain = self._sensor.gain + self._sensor.gain_sigma * float(gain)
        self.offset_mm = self._sensor.offset_mm + self._sensor.offset_sigma_mm * float(offset)
        self._waves = drawn.standard_normal((_WAVES, 2)) / np.sqrt(_WAVES)
        self._shown: tuple[float, float] | None = None

    def sent_mm(self, length_mm: FloatArray) -> FloatArray:
        """Return what a pod without noise and steps would send for true lengths."""
        sent = (length_mm - self.offset_mm) / self.gain
        phase = 2.0 * np.pi * sent[:, None] / TRAVEL_MM * np.arange(2, 2 + _WAVES)
        bent = np.sin(phase) @ self._waves[:, 0] + np.cos(phase) @ self._waves[:, 1]
        return np.asarray(sent + self._sensor.nonlinearity_mm * bent / self.gain)

    def read(self, t_s: FloatArray, length_mm: FloatArray) -> IntArray:
        """Return raw counts, shape (n, channels).

        Parameters
        ----------
        t_s : ndarray, shape (n,)
            Increasing, in s since the script's start.
        length_mm : ndarray, shape (n,)
            True lengths.
        """
        if not self.channels:
            return np.zeros((t_s.size, 0), dtype=np.int64)
        stuck = self._faults.linear_stuck
        noise = self._noise.standard_normal((t_s.size, CONVERSIONS)) * self._sensor.noise_mm
        sent = self.sent_mm(length_mm)
        if stuck.on:
            noise[t_s >= stuck.at_s] = 0.0
            sent = np.where(t_s >= stuck.at_s, stuck.reading_mm, sent)
        if self._sensor.kind is LinearKind.POTENTIOMETER:
            own = self._potentiometer(sent, noise, t_s)
            spare = round(_SPARE_MM / CALIPER_UNIT_MM / CALIPER_STEP) * CALIPER_STEP
        else:
            own = self._caliper(sent + noise[:, 0] / 10.0, t_s)
            spare = round(_SPARE_MM / POTENTIOMETER.scale)
        columns = [own, np.full(t_s.size, spare, dtype=np.int64)]
        return np.stack(columns[: len(self.channels)], axis=1)

    def away(self, t_s: FloatArray) -> BoolArray:
        """Return when the first linear channel does not answer, shape (n,)."""
        missing = self._faults.linear_missing
        if not missing.on or not self.channels:
            return np.zeros(t_s.shape, dtype=np.bool_)
        end_s = missing.at_s + missing.length_s
        return np.asarray((t_s >= missing.at_s) & (t_s < end_s))

    def _potentiometer(
        self, sent_mm: FloatArray, noise_mm: FloatArray, t_s: FloatArray
    ) -> IntArray:
        share = (sent_mm[:, None] + noise_mm) / TRAVEL_MM
        opened = self._faults.linear_open
        if opened.on:
            # An open wiper is drawn to the supply, where the converter ends.
            gone = (t_s >= opened.at_s) & (t_s < opened.at_s + opened.length_s)
            share[gone] = 1.1
        steps = np.clip(np.floor(share * STEPS), 0, STEPS - 1)
        return np.asarray(steps.sum(axis=1).astype(np.int64))

    def _caliper(self, shown_mm: FloatArray, t_s: FloatArray) -> IntArray:
        """Count steps; between two packets the last one's value stands."""
        steps = np.rint(shown_mm / CALIPER_UNIT_MM / CALIPER_STEP) * CALIPER_STEP
        held = np.empty(t_s.size)
        for i, at_s in enumerate(t_s):
            if self._shown is None or at_s - self._shown[0] >= CALIPER_PERIOD_S:
                self._shown = (float(at_s), float(steps[i]))
            held[i] = self._shown[1]
        limit = 2**22 - 1
        return np.clip(held, -limit, limit).astype(np.int64)
