"""Find the rests of a linear channel, as samples arrive or over a whole recording.

It needs no accelerometer: a caliper on a bench has rests of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from knuckle.model.block import FloatArray, IntArray
from knuckle.model.linear import LinearBlock
from knuckle.model.linear_rest import LinearRest
from knuckle.rests.cells import cell_means
from knuckle.rests.detector import DroppedRest
from knuckle.rests.effective_size import effective_sample_size
from knuckle.rests.gaps import follows, unbroken
from knuckle.rests.linear_cells import LinearCellMaker
from knuckle.rests.linear_stillness import LinearClosing, LinearRestSettings, LinearStillness
from knuckle.rests.reading import LEAST_SIGMA_LINEAR_MM, lead

_SLOPE_SIGMAS: Final = 5.5
_CREEP_MM: Final = 0.01
_TRIM_AT_MOST_S: Final = 3.0
_TAIL_AT_MOST_S: Final = 0.5


@dataclass(frozen=True, slots=True)
class LinearRestEvent:
    """Something the detector has noticed; as `rests.detector.RestEvent`.

    Attributes
    ----------
    kind : {"ready", "ended", "knock", "moved"}
        "ready": the channel stands. "knock": a disturbance was left out. Each "ready" is
        followed by exactly one of "ended", with the final rest, or "moved": it slid, and was
        no rest.
    at_s : float
        Pod time of the sample that settled it.
    rest : LinearRest or None
    """

    kind: Literal["ready", "ended", "knock", "moved"]
    at_s: float
    rest: LinearRest | None = None


class _Samples:
    """The readings of the running stretch that a rest may still need."""

    def __init__(self) -> None:
        self._parts: list[tuple[FloatArray, FloatArray, IntArray]] = []
        self._first = 0

    def add(self, t_s: FloatArray, reading: FloatArray, place: IntArray) -> None:
        self._parts.append((t_s, reading, place))

    def forget_before(self, position: int) -> None:
        while self._parts and self._first + len(self._parts[0][0]) <= position:
            self._first += len(self._parts.pop(0)[0])

    def cut(self, first: int, end: int) -> tuple[FloatArray, FloatArray, IntArray]:
        part = slice(first - self._first, end - self._first)
        t_s, reading, place = zip(*self._parts, strict=True)
        return (
            np.concatenate(t_s)[part],
            np.concatenate(reading)[part],
            np.concatenate(place)[part],
        )


class LinearRestDetector:
    """Finds rests in one linear channel of one pod.

    Stillness is judged in cells of about 0.1 s counted from each stretch's first reading, so
    the result does not depend on how the samples are cut into blocks, to the last bit. Noise
    is learnt at rest from the past only; below the channel's resolution nothing is judged.
    Samples without a reading (NaN) are missing ones: up to 0.25 s of them only lower the
    count, more end the rest.

    Parameters
    ----------
    rate_hz : float
        Nominal rate of the samples.
    channel : int
        From 1, in the hello's order.
    resolution_mm : float
        Smallest step of a reading.
    settings : LinearRestSettings, optional

    Raises
    ------
    ValueError
        If the rate or the channel is not positive, or the resolution is negative.
    """

    def __init__(
        self,
        rate_hz: float,
        channel: int = 1,
        resolution_mm: float = 0.0,
        settings: LinearRestSettings | None = None,
    ) -> None:
        if not rate_hz > 0.0 or channel < 1 or not resolution_mm >= 0.0:
            raise ValueError("rate and channel must be positive, the resolution not negative")
        self._settings = settings or LinearRestSettings()
        self._rate_hz = rate_hz
        self._channel = channel
        self._resolution_mm = resolution_mm
        self._size = max(2, round(rate_hz * self._settings.cell_s))
        self._still = LinearStillness(self._size, rate_hz, resolution_mm, self._settings)
        self._maker = LinearCellMaker(self._size)
        self._samples = _Samples()
        self._total = 0
        self._stretch: int | None = None
        self._last_t_s = 0.0
        self._rests: list[LinearRest] = []
        self._dropped: list[DroppedRest] = []
        self._finished = False

    @property
    def state(self) -> Literal["moving", "still"]:
        """What the channel is doing, as of the last whole cell."""
        return "still" if self._still.still else "moving"

    @property
    def dropped(self) -> list[DroppedRest]:
        """What looked like a rest and was none, in order of time."""
        return list(self._dropped)

    def rests(self) -> list[LinearRest]:
        """Return the rests that have ended."""
        return list(self._rests)

    def reading(self) -> LinearRest | None:
        """Return the reading of the rest that goes on; None if there is none, or it slides."""
        going = self._still.going()
        rest, why = (None, "") if going is None else self._read(going, ended=False)
        return None if why else rest

    def push(self, block: LinearBlock) -> list[LinearRestEvent]:
        """Take the samples that follow and return what they show.

        Raises
        ------
        ValueError
            If the block has no such channel.
        """
        if len(block) == 0:
            return []
        if block.linear_mm.shape[1] < self._channel:
            raise ValueError(f"the block has no linear channel {self._channel}")
        reading = np.ascontiguousarray(block.linear_mm[:, self._channel - 1])
        there = np.isfinite(reading)
        place = self._total + np.arange(len(block), dtype=np.int64)
        self._total += len(block)
        if not there.any():
            return []
        t_s, reading, place = block.t_s[there], reading[there], place[there]
        stretch = block.stretch[there]
        period_s = 1.0 / self._rate_hz
        events: list[LinearRestEvent] = []
        for first, end in pairwise(unbroken(t_s, stretch, period_s)):
            here = int(stretch[first])
            if self._stretch is not None and (
                here != self._stretch or not follows(self._last_t_s, float(t_s[first]), period_s)
            ):
                events += self._close_stretch(ended=True)
            self._stretch = here
            events += self._feed(t_s[first:end], reading[first:end], place[first:end])
            self._last_t_s = float(t_s[end - 1])
        return events

    def finish(self) -> list[LinearRestEvent]:
        """Close the recording: a rest that goes on is read as it stands (`ended` False)."""
        if self._finished:
            return []
        self._finished = True
        return self._close_stretch(ended=False)

    def _close_stretch(self, ended: bool) -> list[LinearRestEvent]:
        going = self._still.going()
        events = [] if going is None else [self._close(going, ended, self._last_t_s)]
        self._still.new_stretch()
        self._maker = LinearCellMaker(self._size)
        self._samples = _Samples()
        return events

    def _feed(self, t_s: FloatArray, reading: FloatArray, place: IntArray) -> list[LinearRestEvent]:
        self._samples.add(t_s, reading, place)
        events: list[LinearRestEvent] = []
        for cell in self._maker.push(t_s, reading):
            for notice in self._still.push(cell):
                if notice.kind == "knock":
                    events.append(LinearRestEvent("knock", notice.at_s))
                    continue
                assert notice.closing is not None
                if notice.kind == "closed":
                    events.append(self._close(notice.closing, True, notice.at_s))
                else:
                    rest = self._read(notice.closing, ended=False)[0]
                    events.append(LinearRestEvent("ready", notice.at_s, rest))
        self._samples.forget_before(self._still.needed_from() * self._size)
        return events

    def _close(self, closing: LinearClosing, ended: bool, at_s: float) -> LinearRestEvent:
        rest, why = self._read(closing, ended)
        if rest is None or why:
            self._dropped.append(
                DroppedRest(closing.start_s, closing.end_s, why or "too little of it was still")
            )
            return LinearRestEvent("moved", at_s)
        self._rests.append(rest)
        return LinearRestEvent("ended", at_s, rest)

    def _read(self, closing: LinearClosing, ended: bool) -> tuple[LinearRest | None, str]:
        """Return the rest's reading, and why it is none if it is none."""
        size = self._size
        t_s, reading, place = self._samples.cut(closing.first * size, closing.end * size)
        kept = np.flatnonzero(np.array(closing.good, dtype=np.bool_))
        means = cell_means(reading[:, None], size)
        cell_s = size / self._rate_hz
        kept = self._trimmed(kept, means, cell_s)
        if len(kept) < 2 or len(kept) * cell_s < self._settings.shortest_s - 1e-9:
            return None, "too little of it was still"
        used = np.zeros(len(closing.good) * size, dtype=np.bool_)
        used.reshape(-1, size)[kept] = True
        values = reading[used]
        count = len(values)
        effective = effective_sample_size(values)
        mean = float(values.mean())
        scatter = float(np.sqrt(np.sum((values - mean) ** 2) / max(count - 1, 1)))
        low, high = int(kept[0]) * size, int(kept[-1] + 1) * size
        rest = LinearRest(
            channel=self._channel,
            start_s=float(t_s[low]),
            end_s=float(t_s[high - 1]),
            first=int(place[low]),
            end=int(place[high - 1]) + 1,
            stretch=0 if self._stretch is None else self._stretch,
            count=count,
            effective_count=effective,
            reading_mm=mean,
            noise_mm=max(scatter / float(np.sqrt(effective)), LEAST_SIGMA_LINEAR_MM),
            resolution_mm=self._resolution_mm,
            knocks=closing.knocks,
            ended=ended,
        )
        return rest, self._slid(kept, means[kept, 0], cell_s)

    def _trimmed(self, kept: IntArray, means: FloatArray, cell_s: float) -> IntArray:
        """Cut creeping ends off, as for the other sensors."""
        keep = max(4, math.ceil(self._settings.shortest_s / cell_s - 1e-9))
        variance = self._still.between
        least = max(_CREEP_MM, self._resolution_mm)
        spare = len(kept) - keep
        longest = round(_TRIM_AT_MOST_S / cell_s)
        kept = kept[lead(means[kept], variance, least, min(longest, spare)) :]
        spare = len(kept) - keep
        tail = min(round(_TAIL_AT_MOST_S / cell_s), spare)
        cut = lead(means[kept][::-1][: 2 * longest], variance, least, tail)
        return kept[: len(kept) - cut]

    def _slid(self, kept: IntArray, means: FloatArray, cell_s: float) -> str:
        """Tell why the cells are no rest, where they drift beyond noise and tolerance."""
        t_s = (kept - kept.mean()) * cell_s
        spread = float(np.sum(t_s**2))
        slope = abs(float(np.sum(t_s * means)) / spread)
        sigma = float(np.sqrt(self._still.between / spread))
        length_s = len(kept) * cell_s
        coarse = self._resolution_mm / length_s
        tolerance = max(self._settings.slope_tolerance_mm_s, coarse)
        return "it slid" if slope > tolerance + _SLOPE_SIGMAS * sigma else ""


def find_linear_rests(
    block: LinearBlock,
    channel: int = 1,
    resolution_mm: float = 0.0,
    settings: LinearRestSettings | None = None,
) -> list[LinearRest]:
    """Return a channel's rests in a recording; the same as live, to the last digit.

    Parameters
    ----------
    block : LinearBlock
        The whole recording.
    channel : int
        From 1.
    resolution_mm : float
        Smallest step of a reading.
    settings : LinearRestSettings, optional
    """
    detector = LinearRestDetector(block.rate_hz, channel, resolution_mm, settings)
    detector.push(block)
    detector.finish()
    return detector.rests()
