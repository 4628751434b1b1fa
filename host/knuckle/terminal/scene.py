"""What there is to show at a moment, as plain data.

A measurement fills a `Scene`; `knuckle.terminal.screen` shows it, live or as plain lines.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from knuckle.model.wheel import Wheel


class Mood(StrEnum):
    """What the state asks of the person; decides colour and weight, never the words."""

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
class LinkHealth:
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
    """

    name: str
    connected: bool = True
    rate_hz: float | None = None
    lost: int = 0
    damaged: int = 0

    @property
    def words(self) -> str:
        """The link's state in a line of words."""
        if not self.connected:
            return f"{self.name}: LINK LOST, waiting for the pod"
        rate = "no samples yet" if self.rate_hz is None else f"{self.rate_hz:.0f} samples/s"
        losses = (
            "nothing lost"
            if not self.lost and not self.damaged
            else f"{self.lost} samples lost, {self.damaged} frames damaged"
        )
        return f"{self.name}: {rate}, {losses}"


@dataclass(frozen=True, slots=True)
class PositionMark:
    """A place to be measured, and how often it has been.

    Attributes
    ----------
    name : str
        "straight", "in", "LF", ...
    taken : int
        Readings taken there.
    wanted : int
        Readings that are needed there.
    """

    name: str
    taken: int
    wanted: int = 1


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything there is to show at a moment.

    Attributes
    ----------
    title : str
        What is being done: "Camber, left front".
    state : str
        In words, what is asked or going on: "Keep still".
    mood : Mood
        What the state asks of the person.
    value : str
        The figure shown in large digits, formatted: digits, sign, point. "" for none.
    unit : str
        Its unit: "deg".
    uncertainty : str
        Its uncertainty with unit, without sign: "0.08 deg"; "" if there is none yet.
    caption : str
        What the figure is: "camber".
    steer_deg : float or None
        Change of heading from straight ahead, ISO sign (left positive); None if not known.
    goal_deg : float or None
        Where to steer to, ISO sign; None for no goal.
    wheel : Wheel or None
        The wheel of the picture; without it, or without `steer_deg`, no picture is drawn.
    positions : tuple of PositionMark
        How far the measurement is.
    links : tuple of LinkHealth
        One for each pod.
    figures : tuple of (label, value)
        Further figures, formatted.
    footer : str
        What one can do: "Ctrl-C ends; what was captured is kept".
    beat : int
        Plain lines are printed again when it changes; the live view ignores it.
    """

    title: str
    state: str
    mood: Mood = Mood.WAIT
    value: str = ""
    unit: str = "deg"
    uncertainty: str = ""
    caption: str = ""
    steer_deg: float | None = None
    goal_deg: float | None = None
    wheel: Wheel | None = None
    positions: tuple[PositionMark, ...] = ()
    links: tuple[LinkHealth, ...] = ()
    figures: tuple[tuple[str, str], ...] = ()
    footer: str = ""
    beat: int = 0


def steer_words(steer_deg: float, wheel: Wheel, degree: str = "°") -> str:
    """Return a steer angle as people say it for that wheel: ``12.3° in``.

    Parameters
    ----------
    steer_deg : float
        Change of heading, ISO sign (left positive).
    """
    if abs(steer_deg) < 0.05:
        return f"0.0{degree}"
    outward = steer_deg * wheel.side > 0
    return f"{abs(steer_deg):.1f}{degree} {'out' if outward else 'in'}"
