"""What a live measurement is told of what it measures: the same frame serves them all."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Protocol

from knuckle.model.result import Outcome
from knuckle.model.wheel import Wheel
from knuckle.run.events import PodSeen, RunEvent
from knuckle.run.readings import CalibrateBlock
from knuckle.store.recording import Decoded


@dataclass(frozen=True)
class Concluded:
    """What the stored bytes of a run have yielded.

    Attributes
    ----------
    outcomes : tuple of Outcome
        One for each wheel that could be tried; refused ones among them.
    notices : tuple of str
        What was left out in reading.
    facts : dict
        Kept with the run.
    """

    outcomes: tuple[Outcome, ...]
    notices: tuple[str, ...] = ()
    facts: dict[str, Any] = field(default_factory=dict)


class Method(Protocol):
    """A way of measuring, apart from its guide."""

    @property
    def measure(self) -> str:
        """What is measured: "camber", "toe", ..."""
        ...

    @property
    def how(self) -> str:
        """The way of computing, as the store names it."""
        ...

    @property
    def wheel(self) -> Wheel:
        """Under which the pod is read."""
        ...

    @property
    def rate_hz(self) -> float | None:
        """To ask the pod for; None leaves it as it is."""
        ...

    def beforehand(self) -> dict[str, Any]:
        """Return what is known before a byte came: kept even if the program is killed."""
        ...

    def take(self, event: RunEvent) -> None:
        """Take an event.

        Raises
        ------
        KnuckleError
            If the pod cannot serve.
        """
        ...

    def calibration_of(self, seen: PodSeen) -> CalibrateBlock | None:
        """Return what corrects the pod's blocks, or None."""
        ...

    def conclude(self, decoded: Decoded) -> Concluded:
        """Measure from the stored bytes."""
        ...
