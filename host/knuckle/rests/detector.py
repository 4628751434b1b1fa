"""Find the rests of a run, as samples arrive or over a whole recording."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from knuckle.model.block import Block, concatenate
from knuckle.model.rest import Rest
from knuckle.rests.consensus import Consensus
from knuckle.rests.gaps import follows, unbroken
from knuckle.rests.noise_floor import KnownFloor
from knuckle.rests.open_rest import Closing
from knuckle.rests.reading import Reading, read_rest
from knuckle.rests.settings import RestSettings
from knuckle.rests.stillness import Stillness

State = Literal["moving", "settling", "still"]


@dataclass(frozen=True, slots=True)
class RestEvent:
    """Something the detector has noticed.

    Attributes
    ----------
    kind : {"ready", "ended", "knock", "moved"}
        "ready": the wheel rests and its reading is good enough for a cue; once a rest.
        "knock": a disturbance in a rest is over and was left out. Each "ready" is followed by
        exactly one of "ended", with the final rest, or "moved": what was announced was no
        rest (it drifted, or too little of it was still) and must not be used.
    at_s : float
        Pod time of the sample that settled it.
    rest : Rest or None
        The reading so far with "ready", the final one with "ended".
    """

    kind: Literal["ready", "ended", "knock", "moved"]
    at_s: float
    rest: Rest | None = None


@dataclass(frozen=True, slots=True)
class DroppedRest:
    """A stretch that looked like a rest and was none, and why."""

    start_s: float
    end_s: float
    reason: str


class _Samples:
    """The samples of the running stretch that a rest may still need."""

    def __init__(self) -> None:
        self._parts: list[Block] = []
        self._first = 0
        self.end = 0

    def add(self, block: Block) -> None:
        self._parts.append(block)
        self.end += len(block)

    def forget_before(self, position: int) -> None:
        while self._parts and self._first + len(self._parts[0]) <= position:
            self._first += len(self._parts.pop(0))

    def cut(self, first: int, end: int) -> Block:
        wanted = []
        at = self._first
        for part in self._parts:
            if at < end and at + len(part) > first:
                wanted.append(part.part(max(0, first - at), min(len(part), end - at)))
            at += len(part)
        return concatenate(wanted)


class RestDetector:
    """Finds rests in the samples of one pod.

    Stillness is judged in cells of about 0.1 s counted from each stretch's first sample, so
    the result does not depend on how the samples are cut into blocks, to the last bit. The
    yardstick is the pod's own noise, learnt at rest from the past only.

    A gyro sees turns of 0.055 deg/s or more, once its bias is known from other rests; until
    then a steady drift can be told from bias by the accelerometer only, or by a later rest,
    and the rest is then dropped after the fact. A pod without gyro sees a turn only through
    the change of gravity in its axes. At a steering axis 13 deg off the vertical and data sheet
    noise a steady 1 deg/s leaves no rest; of 0.1 to 0.5 deg/s pieces of up to 5 s may pass, most
    of them dropped once a row of them shows gravity sliding; creep is left in; and a turn about
    the vertical it never sees.

    Parameters
    ----------
    rate_hz : float
        Nominal rate of the samples.
    has_gyro : bool
        Whether blocks carry a gyro.
    settings : RestSettings, optional
        Tolerances.
    known : KnownFloor, optional
        The pod's noise as measured before, where it `fits`: then nothing has to be learnt before
        a first rest can be told from a shaky hand. One that does not fit is not used.

    Raises
    ------
    ValueError
        If the rate is not positive.
    """

    def __init__(
        self,
        rate_hz: float,
        has_gyro: bool,
        settings: RestSettings | None = None,
        known: KnownFloor | None = None,
    ) -> None:
        if not rate_hz > 0.0:
            raise ValueError(f"a rate of {rate_hz} Hz is not positive")
        self._settings = settings or RestSettings()
        self._rate_hz = rate_hz
        self._size = self._settings.cell_size(rate_hz)
        self._has_gyro = has_gyro
        if known is not None and not known.fits(rate_hz, self._size, has_gyro):
            known = None
        self._still = Stillness(self._size, rate_hz, has_gyro, self._settings, known)
        self._samples = _Samples()
        self._stretch_first = 0
        self._total = 0
        self._stretch: int | None = None
        self._last_t_s = 0.0
        self._consensus = Consensus(self._settings.slope_tolerance_g_s)
        self._dropped: list[DroppedRest] = []
        self._finished = False

    @property
    def state(self) -> State:
        """What the wheel is doing, as of the last whole cell."""
        return self._still.state

    @property
    def dropped(self) -> list[DroppedRest]:
        """What looked like a rest and was not counted, as of now, in order of time."""
        late = [DroppedRest(r.rest.start_s, r.rest.end_s, why) for r, why in self._judged() if why]
        return sorted([*self._dropped, *late], key=lambda d: d.start_s)

    def rests(self) -> list[Rest]:
        """Return the rests that have ended, with what is known by now of drifts."""
        return [r.rest for r, why in self._judged() if not why]

    def reading(self) -> Rest | None:
        """Return the reading of the rest that goes on, or None if there is none."""
        going = self._still.going()
        if going is None:
            return None
        reading = self._read(going, ended=False)
        return None if reading is None else reading.rest

    def push(self, block: Block) -> list[RestEvent]:
        """Take the samples that follow and return what they show.

        Raises
        ------
        ValueError
            If the block lacks the gyro the detector was made for.
        """
        if len(block) == 0:
            return []
        if self._has_gyro and block.gyro_dps is None:
            raise ValueError("the detector was made for a gyro, the block has none")
        period_s = 1.0 / self._rate_hz
        events: list[RestEvent] = []
        for first, end in pairwise(unbroken(block.t_s, block.stretch, period_s)):
            part = block.part(first, end)
            stretch = int(part.stretch[0])
            if self._stretch is not None and (
                stretch != self._stretch
                or not follows(self._last_t_s, float(part.t_s[0]), period_s)
            ):
                events += self._close_stretch(ended=True)
            self._stretch = stretch
            events += self._feed(part)
            self._last_t_s = float(part.t_s[-1])
        return events

    def finish(self) -> list[RestEvent]:
        """Close the recording: a rest that goes on is read as it stands (`ended` False)."""
        if self._finished:
            return []
        self._finished = True
        return self._close_stretch(ended=False)

    def _close_stretch(self, ended: bool) -> list[RestEvent]:
        going = self._still.going()
        events = [] if going is None else self._close(going, ended, self._last_t_s)
        self._still.new_stretch()
        self._stretch_first = self._total
        self._samples = _Samples()
        return events

    def _feed(self, part: Block) -> list[RestEvent]:
        self._samples.add(part)
        self._total += len(part)
        events: list[RestEvent] = []
        for notice in self._still.push(part):
            if notice.kind == "closed":
                assert notice.closing is not None
                events += self._close(notice.closing, True, notice.at_s)
            elif notice.kind == "ready":
                assert notice.closing is not None
                reading = self._read(notice.closing, ended=False)
                events.append(
                    RestEvent("ready", notice.at_s, None if reading is None else reading.rest)
                )
            else:
                events.append(RestEvent("knock", notice.at_s))
        self._samples.forget_before(self._still.needed_from() * self._size)
        return events

    def _read(self, closing: Closing, ended: bool, shortest_s: float = 0.0) -> Reading | None:
        first, end = closing.first * self._size, closing.end * self._size
        return read_rest(
            self._samples.cut(first, end),
            np.array(closing.good, dtype=np.bool_),
            self._size,
            self._stretch_first + first,
            closing.knocks,
            self._still.floor,
            shortest_s,
            ended,
        )

    def _close(self, closing: Closing, ended: bool, at_s: float) -> list[RestEvent]:
        s = self._settings
        departed = closing.announced and closing.departed
        shortest_s = s.least_s(has_gyro=self._has_gyro, departed=departed)
        reading = self._read(closing, ended, shortest_s) if closing.end > closing.first else None
        if reading is None:
            self._dropped.append(
                DroppedRest(closing.start_s, closing.end_s, "too little of it was still")
            )
        else:
            self._consensus.add(reading)
            self._still.bias.learn(self._consensus.readings, self._consensus.verdicts)
            if not reading.slid(s.slope_tolerance_g_s):
                return [RestEvent("ended", at_s, reading.rest)] if closing.announced else []
        return [RestEvent("moved", at_s)] if closing.announced else []

    def _judged(self) -> Iterator[tuple[Reading, str]]:
        return zip(self._consensus.readings, self._consensus.verdicts, strict=True)


def find_rests(block: Block, settings: RestSettings | None = None) -> list[Rest]:
    """Return the rests of a recording; the same as live, to the last digit.

    Parameters
    ----------
    block : Block
        The whole recording.
    settings : RestSettings, optional
        Tolerances.
    """
    if len(block) == 0:
        return []
    detector = RestDetector(block.rate_hz, block.gyro_dps is not None, settings)
    detector.push(block)
    detector.finish()
    return detector.rests()
