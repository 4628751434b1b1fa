"""Which rests of a hand-held linear sensor are touches, and of what, in the order asked for.

Nobody presses a key. What a touch is follows from where the sensor stood: it was lifted off
since the touch before, and it does not hang free.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from knuckle.model.block import FloatArray
from knuckle.model.linear_rest import LinearRest

AT_START_S: Final = 0.6
"""A rest that begins so soon is that of the sensor before anybody has touched anything."""
SETTLING_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class TouchRules:
    """What tells touches apart, in mm as the pod sends them.

    Attributes
    ----------
    hold_s : float
        A rest counts once it is that old.
    lift_mm : float
        Between two touches the reading goes at least so far away from the first of them.
    free_mm : float
        A reading that near to the one at the start is that of the sensor hanging free.
    window_mm : float or None
        All touches lie within this of each other; None where they need not.
    """

    hold_s: float
    lift_mm: float
    free_mm: float
    window_mm: float | None = None


@dataclass(frozen=True, slots=True)
class TouchMark:
    """A touch: what it was of, when (pod time), and what it read."""

    label: str
    from_s: float
    to_s: float
    reading_mm: float


class Verdict(Enum):
    """What a rest is."""

    TOUCH = "touch"
    FREE = "free"
    """The sensor hangs free, or is pushed home."""
    SAME = "same"
    """It was not lifted off since the last touch."""
    FAR = "far"
    """Too far from the other touches to be one."""
    OVER = "over"
    """All has been taken."""


class TouchSequence:
    """Counts touches; the same from live samples and from a recording.

    Parameters
    ----------
    labels : sequence of str
        What is to be touched, in order.
    rules : TouchRules
    """

    def __init__(self, labels: Sequence[str], rules: TouchRules) -> None:
        self.rules = rules
        self._labels = tuple(labels)
        self._marks: list[TouchMark] = []
        self._t_s: list[FloatArray] = []
        self._reading: list[FloatArray] = []
        self._first_s: float | None = None
        self._free_mm: float | None = None
        self.replaced = False
        """Whether the last touch took the place of one that proved to be none."""

    @property
    def marks(self) -> tuple[TouchMark, ...]:
        """The touches so far, in order."""
        return tuple(self._marks)

    @property
    def label(self) -> str | None:
        """What is to be touched next; None when all has been."""
        done = len(self._marks)
        return self._labels[done] if done < len(self._labels) else None

    def push(self, t_s: FloatArray, reading_mm: FloatArray) -> None:
        """Take readings, shape (n,); those that are missing are NaN."""
        there = np.isfinite(reading_mm)
        if not there.any():
            return
        if self._first_s is None:
            self._first_s = float(t_s[there][0])
        self._t_s.append(t_s[there])
        self._reading.append(reading_mm[there])

    def judge(self, rest: LinearRest) -> Verdict:
        """Tell what a rest is, by its reading so far."""
        if self._starts(rest):
            self._free_mm = rest.reading_mm
        if self._free_mm is not None and abs(rest.reading_mm - self._free_mm) < self.rules.free_mm:
            return Verdict.FREE
        if self._marks:
            if not self._lifted(rest.start_s):
                return Verdict.SAME
            far = self.rules.window_mm
            apart = abs(rest.reading_mm - self._marks[0].reading_mm)
            if far is not None and apart > far and len(self._marks) > 1:
                return Verdict.FAR
        return Verdict.TOUCH if self.label is not None else Verdict.OVER

    def count(self, rest: LinearRest, to_s: float) -> None:
        """Take a rest that was judged a touch.

        Parameters
        ----------
        to_s : float
            Until when it is known to have stood.
        """
        far = self.rules.window_mm
        self.replaced = (
            far is not None
            and len(self._marks) == 1
            and abs(rest.reading_mm - self._marks[0].reading_mm) > far
        )
        if self.replaced:
            # Two that cannot both be touches: the sensor hung free at the first.
            self._free_mm = self._marks.pop().reading_mm
        label = self.label
        assert label is not None
        self._marks.append(TouchMark(label, rest.start_s, to_s, rest.reading_mm))
        self._forget_before(rest.start_s)

    def take_back(self) -> TouchMark | None:
        """Drop the last touch and return it; None if there is none."""
        return self._marks.pop() if self._marks else None

    def _starts(self, rest: LinearRest) -> bool:
        return (
            not self._marks
            and self._first_s is not None
            and rest.start_s - self._first_s < AT_START_S
        )

    def _lifted(self, until_s: float) -> bool:
        last = self._marks[-1]
        for t_s, reading in zip(self._t_s, self._reading, strict=True):
            since = (t_s > last.from_s) & (t_s < until_s)
            if np.any(np.abs(reading[since] - last.reading_mm) >= self.rules.lift_mm):
                return True
        return False

    def _forget_before(self, t_s: float) -> None:
        while self._t_s and float(self._t_s[0][-1]) < t_s:
            self._t_s.pop(0)
            self._reading.pop(0)


def recognised(
    rests: Sequence[LinearRest],
    t_s: FloatArray,
    reading_mm: FloatArray,
    labels: Sequence[str],
    rules: TouchRules,
) -> tuple[TouchMark, ...]:
    """Return the touches of a recording that does not name them.

    Parameters
    ----------
    rests : sequence of LinearRest
        In order.
    t_s, reading_mm : ndarray, shape (n,)
        Of the whole recording.
    labels : sequence of str
        What was to be touched, in order; more than were is no harm.
    rules : TouchRules
    """
    sequence = TouchSequence(labels, rules)
    sequence.push(t_s, reading_mm)
    for rest in rests:
        verdict = sequence.judge(rest)
        if verdict is Verdict.TOUCH and rest.duration_s >= rules.hold_s:
            sequence.count(rest, rest.end_s)
    return sequence.marks


def rest_of(mark: TouchMark, rests: Sequence[LinearRest]) -> LinearRest | None:
    """Return the rest that a touch was taken from: the one that lies on it for longest.

    The whole rest may have lost its beginning, which settled still, so it may lie behind.
    """
    best, longest = None, -SETTLING_S
    for rest in rests:
        together = min(rest.end_s, mark.to_s) - max(rest.start_s, mark.from_s)
        if together > longest:
            best, longest = rest, together
    return best
