"""What there is to show at a moment, as plain data.

A measurement fills a `Scene`; `knuckle.terminal.screen` shows it, live or as plain lines.
"""

from __future__ import annotations

from dataclasses import dataclass

from knuckle.model.guidance import Ask, LinkState, PlaceMark, Sphere
from knuckle.model.wheel import Wheel


@dataclass(frozen=True, slots=True)
class Scene:
    """Everything there is to show at a moment.

    Attributes
    ----------
    title : str
        What is being done: "Camber, left front".
    state : str
        In words, what is asked or going on: "Keep still".
    ask : Ask
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
    places : tuple of PlaceMark
        How far the measurement is.
    links : tuple of LinkState
        One for each pod.
    figures : tuple of (label, value)
        Further figures, formatted.
    footer : str
        What one can do: "Ctrl-C ends; what was captured is kept".
    beat : int
        Plain lines are printed again when it changes; the live view ignores it.
    sphere : Sphere or None
        Which directions of a pod have been held up.
    """

    title: str
    state: str
    ask: Ask = Ask.WAIT
    value: str = ""
    unit: str = "deg"
    uncertainty: str = ""
    caption: str = ""
    steer_deg: float | None = None
    goal_deg: float | None = None
    wheel: Wheel | None = None
    places: tuple[PlaceMark, ...] = ()
    links: tuple[LinkState, ...] = ()
    figures: tuple[tuple[str, str], ...] = ()
    footer: str = ""
    beat: int = 0
    sphere: Sphere | None = None


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
