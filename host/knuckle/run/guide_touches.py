"""Guides a person with a hand-held linear sensor from touch to touch; nobody presses a key.

The same guide serves toe (the rim's front and rear) and calibration (known lengths).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.analysis.touches import TouchRules, TouchSequence, Verdict
from knuckle.errors import UsageError
from knuckle.model.guidance import Ask, Guidance, PlaceMark, Shown
from knuckle.model.linear import LinearBlock
from knuckle.model.linear_rest import LinearRest
from knuckle.rests.linear import LinearRestDetector, LinearRestEvent
from knuckle.run.events import (
    ButtonPressed,
    LinearSamples,
    LinkDown,
    LinkUp,
    RunEvent,
    Samples,
)
from knuckle.run.guide import PlainGuide
from knuckle.wire.messages import Cue

LAST_REST_S: Final = 0.8
"""The recording goes on for so long after the last touch was taken."""
SILENT_S: Final = 2.0
"""Pod time without any length after which the pod counts as one without linear sensor."""


@dataclass(frozen=True, slots=True)
class TouchWords:
    """What the guide says; `{}` stands for what is to be touched.

    Attributes
    ----------
    touch, hold, taken, last : str
        Asked for; being held; taken; taken, and nothing follows. A few letters each, so that
        they stand large.
    lift : str
        Where the sensor was not lifted off.
    far : str
        Where the reading is too far from the others.
    places : tuple of str
        Names of the marks that show how far it is; each label begins with one.
    """

    touch: str
    hold: str
    taken: str
    last: str
    lift: str
    far: str
    places: tuple[str, ...]


class TouchGuide(PlainGuide):
    """Turns run events into what the person with the sensor should do.

    Parameters
    ----------
    labels : sequence of str
        What is to be touched, in order.
    words : TouchWords
    rules : callable
        Returns the `TouchRules`; called with the first samples, when the calibration is known.
    channel : callable
        Returns which linear channel, from 1; called likewise.
    resolution_mm : callable
        Returns the smallest step of a reading; called likewise.
    length_mm : callable
        From a reading to what is shown large.
    caption : str
        Of that.
    """

    def __init__(
        self,
        labels: Sequence[str],
        words: TouchWords,
        *,
        rules: Callable[[], TouchRules],
        channel: Callable[[], int],
        resolution_mm: Callable[[], float],
        length_mm: Callable[[float], float] = lambda reading_mm: reading_mm,
        caption: str = "length, live",
    ) -> None:
        super().__init__()
        self._labels = tuple(labels)
        self._words = words
        self._rules = rules
        self._which_channel = channel
        self._channel = 1
        self._resolution_mm = resolution_mm
        self._length_mm = length_mm
        self._caption = caption
        self._detector: LinearRestDetector | None = None
        self._rate_hz = 0.0
        self._sequence: TouchSequence | None = None
        self._rest: LinearRest | None = None
        self._verdict: Verdict | None = None
        self._counted = False
        self._reading_mm: float | None = None

    @property
    def sequence(self) -> TouchSequence | None:
        """The touches so far; None before the first length came."""
        return self._sequence

    @property
    def figure(self) -> Shown | None:
        """The length now."""
        if self._reading_mm is None:
            return None
        return Shown(self._caption, f"{self._length_mm(self._reading_mm):.2f}", "mm")

    @property
    def guidance(self) -> Guidance:
        """What the person should do now."""
        words, ask = self._said()
        done = [] if self._sequence is None else [mark.label for mark in self._sequence.marks]
        places = tuple(
            PlaceMark(
                name,
                sum(label.startswith(name) for label in done),
                sum(label.startswith(name) for label in self._labels),
            )
            for name in self._words.places
        )
        return Guidance(words, ask, None, places)

    def _said(self) -> tuple[str, Ask]:
        words = self._words
        if self._finished:
            return "Finished", Ask.DONE
        if self._link_down:
            return "Link lost: the program waits for the pod", Ask.TROUBLE
        if self._sequence is None:
            return "Waiting for the pod's lengths", Ask.WAIT
        label = self._sequence.label
        if self._counted:
            return (
                (words.last, Ask.TAKEN) if label is None else (words.taken.format(label), Ask.TAKEN)
            )
        if self._rest is not None and self._verdict is Verdict.TOUCH:
            return words.hold.format(label), Ask.HOLD
        if self._rest is not None and self._verdict is Verdict.SAME:
            return words.lift, Ask.MOVE
        if self._rest is not None and self._verdict is Verdict.FAR:
            return words.far, Ask.MOVE
        return words.touch.format(label), Ask.MOVE

    # ---- what happens

    def take(self, event: RunEvent) -> list[Cue]:
        """Take an event; return the cues to give now, in order.

        Raises
        ------
        UsageError
            If the pod has no such channel, or sends no lengths at all.
        """
        match event:
            case LinearSamples(linear=linear) if len(linear):
                return self._sampled(linear)
            case Samples(block=block) if len(block) and self._sequence is None:
                self._first_s = float(block.t_s[0]) if self._first_s is None else self._first_s
                self._now_s = float(block.t_s[-1])
                if self.passed_s > SILENT_S:
                    raise no_lengths()
            case ButtonPressed():
                return self._taken_back()
            case LinkDown():
                self._link_down = True
                return [Cue.LINK_LOST]
            case LinkUp():
                self._link_down = False
                return [Cue.LINK_BACK]
        return []

    def _sampled(self, linear: LinearBlock) -> list[Cue]:
        if self._detector is None:
            self._channel = self._which_channel()
        if linear.linear_mm.shape[1] < self._channel:
            raise UsageError(
                f"The pod has no linear channel {self._channel}.",
                f"It sends {linear.linear_mm.shape[1]}.",
                "Leave --channel out, or name one that it has.",
            )
        if self._detector is None or self._sequence is None or linear.rate_hz != self._rate_hz:
            step_mm = self._resolution_mm()
            self._detector = LinearRestDetector(linear.rate_hz, self._channel, step_mm)
            self._sequence = TouchSequence(self._labels, self._rules())
            self._first_s = float(linear.t_s[0])
            self._rate_hz = linear.rate_hz
        self._now_s = float(linear.t_s[-1])
        reading = linear.linear_mm[:, self._channel - 1]
        there = np.isfinite(reading)
        self._reading_mm = float(np.mean(reading[there][-10:])) if there.any() else None
        self._sequence.push(linear.t_s, reading)
        cues: list[Cue] = []
        for event in self._detector.push(linear):
            cues += self._told(event, self._sequence)
        return cues + self._aged(self._sequence)

    def _told(self, event: LinearRestEvent, sequence: TouchSequence) -> list[Cue]:
        match event.kind:
            case "ready":
                if event.rest is None:
                    return []
                self._rest = event.rest
                self._verdict = sequence.judge(event.rest)
                self._counted = False
                return [Cue.HOLD_STILL] if self._verdict is Verdict.TOUCH else []
            case "ended":
                late = self._counted_late(event.rest, sequence)
                self._left()
                return late + (self._finish() if sequence.label is None else [])
            case "moved":
                counted = self._counted
                self._left()
                return self._withdrawn(sequence) if counted else []
        return []

    def _counted_late(self, rest: LinearRest | None, sequence: TouchSequence) -> list[Cue]:
        """Count a rest that came and went in one piece of data."""
        if rest is None or self._counted or self._verdict is not Verdict.TOUCH:
            return []
        old = rest.duration_s >= sequence.rules.hold_s
        return self._count(rest, rest.end_s, sequence) if old else []

    def _left(self) -> None:
        self._rest, self._verdict, self._counted = None, None, False

    def _aged(self, sequence: TouchSequence) -> list[Cue]:
        """Count the rest once it is old enough, and end with the last one."""
        rest = self._rest
        if rest is None:
            return []
        age_s = self._now_s - rest.start_s
        if self._counted:
            over = sequence.label is None and age_s >= sequence.rules.hold_s + LAST_REST_S
            # The recording ends with it: as it stands now is how it will be read.
            good = over and self._detector is not None and self._detector.reading() is not None
            return self._finish() if good else []
        if self._verdict is not Verdict.TOUCH or age_s < sequence.rules.hold_s:
            return []
        if self._detector is None or self._detector.state != "still":
            return []
        return self._count(rest, self._now_s, sequence)

    def _count(self, rest: LinearRest, to_s: float, sequence: TouchSequence) -> list[Cue]:
        sequence.count(rest, to_s)
        self._counted = True
        if sequence.replaced:
            self._remarks.append(
                "What was taken first lies too far away: it was the sensor hanging free."
            )
        return [Cue.TAKEN]

    def _withdrawn(self, sequence: TouchSequence) -> list[Cue]:
        mark = sequence.take_back()
        if mark is None:
            return []
        self._remarks.append(f"It slid after all, and is not counted: {mark.label} once more.")
        return [Cue.TROUBLE]

    def _taken_back(self) -> list[Cue]:
        mark = None if self._sequence is None or self._finished else self._sequence.take_back()
        if mark is None:
            return []
        self._counted = False
        # What is held now stays as it is: the next touch begins with lifting off.
        self._verdict = Verdict.SAME if self._rest is not None else None
        self._remarks.append(f"Taken back by the button: {mark.label} once more.")
        return [Cue.GO_BACK]

    def _finish(self) -> list[Cue]:
        if self._finished:
            return []
        self._finished = True
        return [Cue.FINISHED]


def no_lengths() -> UsageError:
    """Return the error for a pod that sends no lengths."""
    return UsageError(
        "The pod has no linear sensor.",
        "None is connected, or it does not answer: a caliper must be switched on.",
        "Connect it and look at it with `knuckle watch`.",
    )
