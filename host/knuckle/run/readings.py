"""From messages to calibrated blocks and rests."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence

from knuckle.model.block import Block, concatenate
from knuckle.model.rest import Rest
from knuckle.model.wheel import Wheel
from knuckle.rests.detector import DroppedRest, RestDetector, RestEvent
from knuckle.rests.noise_floor import KnownFloor
from knuckle.rests.settings import RestSettings
from knuckle.run.events import (
    Knocked,
    LinearSamples,
    RestEnded,
    RestReady,
    RestWithdrawn,
    RunEvent,
    Samples,
    StillnessChanged,
)
from knuckle.timebase.assembler import BlockAssembler, of_one_averaging
from knuckle.wire.messages import Message

CalibrateBlock = Callable[[Block], Block]
TRIAL_OVER = "the rate was too high for the link"


class Readings:
    """The samples of one pod, and its rests.

    Parameters
    ----------
    rest_settings : RestSettings, optional
        The detector's.
    keep : bool
        Whether `block` shall give all samples at the end.

    Attributes
    ----------
    calibrate : callable or None
        Corrects each block.
    floors : sequence of KnownFloor
        The pod's noise as kept; the first that fits its samples is where the detector starts.
    """

    def __init__(
        self, wheel: Wheel, *, rest_settings: RestSettings | None = None, keep: bool = False
    ) -> None:
        self.calibrate: CalibrateBlock | None = None
        self.floors: Sequence[KnownFloor] = ()
        self._wheel = wheel
        self._settings = rest_settings if rest_settings is not None else RestSettings()
        self._keep = keep
        self._assembler = BlockAssembler()
        self._detector: RestDetector | None = None
        self._detects: tuple[float, bool] | None = None
        self._withdrawn: set[tuple[float, float]] = set()
        self._samples = 0
        self._detector_first = 0
        self._earlier_rests: list[Rest] = []
        self._earlier_dropped: list[DroppedRest] = []
        self._kept: list[Block] = []
        self._state = ""

    @property
    def linear_names(self) -> tuple[str, ...]:
        """What each linear column is: the sensor's name, or a text pod's column."""
        return self._assembler.linear_names

    @property
    def restarts(self) -> int:
        """How often the pod has started anew, by its ticks and frame counts."""
        return self._assembler.restarts

    def push(self, messages: Sequence[Message], at_s: float) -> list[RunEvent]:
        """Take messages in order; return what they tell.

        Parameters
        ----------
        at_s : float
            Their arrival.
        """
        events: list[RunEvent] = []
        for together in of_one_averaging(messages):
            events += self._push(together, at_s)
        return events

    def _push(self, messages: Sequence[Message], at_s: float) -> list[RunEvent]:
        trials = self._assembler.trials
        found = self._assembler.assemble(messages)
        events = self._start_over(at_s) if self._assembler.trials > trials else []
        if found.linear is not None:
            events.append(LinearSamples(self._wheel, at_s, found.linear))
        block = found.block
        if block is None or not len(block):
            return events
        if self.calibrate is not None:
            block = self.calibrate(block)
        if self._keep:
            self._kept.append(block)
        events.append(Samples(self._wheel, at_s, block))
        shape = (block.rate_hz, block.gyro_dps is not None)
        if self._detector is None or self._detects != shape:
            events += self.finish(at_s)
            size = self._settings.cell_size(block.rate_hz)
            known = KnownFloor.first_that_fits(self.floors, block.rate_hz, size, shape[1])
            self._detector = RestDetector(*shape, self._settings, known)
            self._detects = shape
            self._detector_first = self._samples
        self._samples += len(block)
        events += self._told(self._detector.push(block), at_s)
        if self._detector.state != self._state:
            self._state = self._detector.state
            events.append(StillnessChanged(self._wheel, at_s, self._state))
        return events

    def _start_over(self, at_s: float) -> list[RunEvent]:
        """Leave out what came so far: it was a trial of the rate."""
        events = self.finish(at_s)
        for rest in self._earlier_rests:
            place = (rest.start_s, rest.end_s)
            events.append(RestWithdrawn(self._wheel, at_s, rest.end_s, *place, TRIAL_OVER))
        self._earlier_rests, self._earlier_dropped, self._kept = [], [], []
        self._samples = 0
        return events

    def finish(self, at_s: float) -> list[RunEvent]:
        """End the rest under way, if any."""
        if self._detector is None:
            return []
        events = self._told(self._detector.finish(), at_s)
        self._earlier_rests = self.rests()
        self._earlier_dropped = self.dropped()
        self._detector = None
        return events

    def rests(self) -> list[Rest]:
        """Return the rests so far, in order, as the detector judges them now."""
        now = self._detector.rests() if self._detector is not None else []
        return self._earlier_rests + [self._placed(rest) for rest in now]

    def reading(self) -> Rest | None:
        """Return the rest that goes on, as far as it goes, or None if there is none."""
        rest = self._detector.reading() if self._detector is not None else None
        return None if rest is None else self._placed(rest)

    def dropped(self) -> list[DroppedRest]:
        """Return what looked like a rest and was none, with the reason."""
        now = self._detector.dropped if self._detector is not None else []
        return self._earlier_dropped + list(now)

    def block(self) -> Block | None:
        """Return all samples kept, or None."""
        if not self._kept:
            return None
        self._kept = [concatenate(self._kept)]
        return self._kept[0]

    def _placed(self, rest: Rest) -> Rest:
        """Count a rest's samples from the recording's first, not the detector's."""
        first = self._detector_first
        if first == 0:
            return rest
        return dataclasses.replace(rest, first=rest.first + first, end=rest.end + first)

    def _told(self, told: Sequence[RestEvent], at_s: float) -> list[RunEvent]:
        events: list[RunEvent] = []
        for one in told:
            match one.kind:
                case "ready" if one.rest is not None:
                    rest = self._placed(one.rest)
                    events.append(RestReady(self._wheel, at_s, one.at_s, rest))
                case "ended" if one.rest is not None:
                    rest = self._placed(one.rest)
                    events.append(RestEnded(self._wheel, at_s, one.at_s, rest))
                    events += self._withdraw(one.at_s, at_s)
                case "moved":
                    events += self._withdraw(one.at_s, at_s)
                case "knock":
                    events.append(Knocked(self._wheel, at_s, one.at_s))
        return events

    def _withdraw(self, t_s: float, at_s: float) -> list[RunEvent]:
        """Tell what has been dropped since the last time."""
        events: list[RunEvent] = []
        for dropped in self.dropped():
            place = (dropped.start_s, dropped.end_s)
            if place not in self._withdrawn:
                self._withdrawn.add(place)
                events.append(RestWithdrawn(self._wheel, at_s, t_s, *place, dropped.reason))
        return events
