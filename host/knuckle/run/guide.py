"""What guides have in common: how they are driven."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from knuckle.model.guidance import Guidance, Shown
from knuckle.model.rest import Rest
from knuckle.run.events import RunEvent
from knuckle.wire.messages import Cue


class Guide(Protocol):
    """A sans-I/O state machine: events in, cues out. It knows time from the events only."""

    def take(self, event: RunEvent) -> list[Cue]:
        """Take an event; return the cues to give now, in order."""
        ...

    @property
    def guidance(self) -> Guidance:
        """What the operator should do now."""
        ...

    @property
    def finished(self) -> bool:
        """Whether there is nothing more to capture."""
        ...

    @property
    def steer_deg(self) -> float | None:
        """Change of heading from straight ahead, left positive; None where not known."""
        ...

    @property
    def camber_deg(self) -> float | None:
        """Camber as it is now, for the eye only; None before samples came."""
        ...

    @property
    def figure(self) -> Shown | None:
        """What stands large where it is neither camber nor steer; None for these."""
        ...

    @property
    def passed_s(self) -> float:
        """Pod time since the first sample."""
        ...

    def confirm(self, rests: Sequence[Rest]) -> list[Cue]:
        """Compare with the rests that have ended, as they are judged by now; return cues.

        A steady drift may look like a rest until later rests tell the gyro's bias.
        """
        ...

    def remarks(self) -> list[str]:
        """Return lines for the operator that have come up since the last call."""
        ...


class PlainGuide:
    """What guides share that know neither steer nor camber: time, end, link, remarks."""

    def __init__(self) -> None:
        self._link_down = False
        self._first_s: float | None = None
        self._now_s = 0.0
        self._finished = False
        self._remarks: list[str] = []

    @property
    def finished(self) -> bool:
        """Whether there is nothing more to capture."""
        return self._finished

    @property
    def steer_deg(self) -> None:
        """None: it has no meaning here."""
        return None

    @property
    def camber_deg(self) -> None:
        """None: it has no meaning here, or something else stands large."""
        return None

    @property
    def passed_s(self) -> float:
        """Pod time since the first sample."""
        return 0.0 if self._first_s is None else self._now_s - self._first_s

    def confirm(self, rests: Sequence[Rest]) -> list[Cue]:
        """Do nothing: what was no rest after all is found when the run is measured."""
        return []

    def remarks(self) -> list[str]:
        """Return lines for the operator that have come up since the last call."""
        told, self._remarks = self._remarks, []
        return told
