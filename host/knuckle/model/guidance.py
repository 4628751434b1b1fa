"""What is asked of the operator, how far the measurement is, how the link does: plain data.

The live flows say it, the screen shows it; neither knows the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Ask(StrEnum):
    """What is asked of the operator at a moment; decides colour and weight, never the words."""

    WAIT = "wait"
    """Nothing to do: the program waits, e.g. for the pod."""
    HOLD = "hold"
    """Keep still."""
    MOVE = "move"
    """Turn on, go back, set the pod elsewhere."""
    TAKEN = "taken"
    """A reading was taken."""
    DONE = "done"
    """Finished."""
    TROUBLE = "trouble"
    """Something is wrong."""


@dataclass(frozen=True, slots=True)
class PlaceMark:
    """A place to be measured, and how often it has been.

    Attributes
    ----------
    name : str
        "straight", "left", "LF", ...
    taken : int
        Readings taken there.
    wanted : int
        Readings that are needed there.
    """

    name: str
    taken: int
    wanted: int = 1


Direction = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Sphere:
    """Which directions have been held up, which are wanted: unit vectors in pod axes.

    Attributes
    ----------
    taken, left_out, wanted : tuple of Direction
        Poses; those that do not fit the others; what would help most, the best first.
    now : Direction or None
        What points up now.
    """

    taken: tuple[Direction, ...] = ()
    left_out: tuple[Direction, ...] = ()
    wanted: tuple[Direction, ...] = ()
    now: Direction | None = None


@dataclass(frozen=True, slots=True)
class Guidance:
    """What the operator should do now.

    Attributes
    ----------
    words : str
        In a few words.
    ask : Ask
    goal_deg : float or None
        Where to steer to, change of heading from straight ahead, left positive.
    places : tuple of PlaceMark
        How far the measurement is.
    sphere : Sphere or None
        Of a calibration.
    """

    words: str
    ask: Ask
    goal_deg: float | None = None
    places: tuple[PlaceMark, ...] = ()
    sphere: Sphere | None = None


@dataclass(frozen=True, slots=True)
class Shown:
    """A figure for the eye: formatted, with its unit and what it is."""

    caption: str
    value: str
    unit: str


@dataclass(frozen=True, slots=True)
class LinkState:
    """How one pod's link does.

    Attributes
    ----------
    name : str
        The pod's name or address, for people.
    connected : bool
        Whether bytes come.
    rate_hz : float or None
        Samples per second of pod time; None before it is known.
    lost : int
        Samples lost so far.
    damaged : int
        Frames that were damaged on the way.
    faults : tuple of str
        The pod's faults that stand, each in two or three words.
    """

    name: str = "pod"
    connected: bool = True
    rate_hz: float | None = None
    lost: int = 0
    damaged: int = 0
    faults: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The link's state in a line of words."""
        if not self.connected:
            return f"{self.name}: LINK LOST, waiting for the pod"
        return f"{self.name}: {self.flow}" + (f"; {self.trouble}" if self.faults else "")

    @property
    def trouble(self) -> str:
        """The faults that stand, in capitals for the eye; empty without any."""
        return ", ".join(fault.upper() for fault in self.faults)

    @property
    def flow(self) -> str:
        """Rate and losses in words."""
        rate = "no samples yet" if self.rate_hz is None else f"{self.rate_hz:.0f} samples/s"
        losses = (
            "nothing lost"
            if not self.lost and not self.damaged
            else f"{self.lost} samples lost, {self.damaged} frames damaged"
        )
        return f"{rate}, {losses}"
