"""A live measurement on the terminal: moments as scenes, cues as sounds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from knuckle.model.guidance import Ask
from knuckle.run.view import LiveView
from knuckle.terminal.scene import Scene
from knuckle.terminal.screen import LiveScreen
from knuckle.wire.messages import Cue

if TYPE_CHECKING:
    from knuckle.terminal.screen import Screen
    from knuckle.terminal.sounds import Sounds

FOOTER: Final = "Ctrl-C ends it; what was captured is kept."
STRAIGHT_DEG: Final = 0.5
_TITLES: Final = {
    "camber": "Camber",
    "sweep": "Sweep",
    "pair": "Sweep, LF + RF",
    "toe": "Toe",
    "linear": "Calibration of a linear sensor",
    "noise": "Noise of the pod",
    "validate": "Validation",
    "spin": "Wheel-turn run",
    "reversal": "Zero by reversal",
    "calibrate": "Calibrate",
}
_WORDS_ALONE: Final = ("sweep", "calibrate")
"""Of plain lines, which would not fit 80 columns otherwise."""
_OF_NO_WHEEL: Final = ("pair", "linear", "noise", "reversal", "calibrate", "validate")


class TerminalView:
    """The view of `knuckle.run.view` on a screen and through the loudspeaker.

    Parameters
    ----------
    screen : Screen
    sounds : Sounds
    prefix : str
        Before every title, e.g. that it is a simulation.
    """

    def __init__(self, screen: Screen, sounds: Sounds, prefix: str = "") -> None:
        self._screen = screen
        self._plain = not isinstance(screen, LiveScreen)
        self._sounds = sounds
        self._prefix = prefix

    def show(self, live: LiveView) -> None:
        """Show a moment."""
        self._screen.show(scene_of(live, self._prefix, plain=self._plain))

    def say(self, line: str) -> None:
        """Print a line that stays."""
        self._screen.say(line)

    def sound(self, cue: Cue) -> None:
        """Have a cue heard."""
        self._sounds.play(cue)


def scene_of(live: LiveView, prefix: str = "", *, plain: bool = False) -> Scene:
    """Return a moment of a measurement as a scene.

    Parameters
    ----------
    live : LiveView
    prefix : str
        Before the title.
    plain : bool
        For plain lines: shorter, so that they fit 80 columns; those name the steer angle by
        themselves.
    """
    guidance = live.guidance
    swept = live.measure in ("sweep", "pair")
    unit = "deg"
    if live.figure is not None:
        caption, value, unit = live.figure.caption, live.figure.value, live.figure.unit
    else:
        caption, value = _steer(live) if swept else _camber(live)
    # Both wheels at once: what is out for one is in for the other.
    of_both = plain and live.measure == "pair"
    if of_both and live.steer_deg is not None:
        side = "left" if live.steer_deg > 0.0 else "right"
        straight = abs(live.steer_deg) < STRAIGHT_DEG
        caption, unit = live.wheel.value, "deg" if straight else f"deg {side}"
        value = f"{abs(live.steer_deg):.1f}"
    shows_places = not plain or (swept and guidance.ask is Ask.TAKEN)
    on = live.wheel.value if plain else live.wheel.spoken
    of_wheel = "" if live.measure in _OF_NO_WHEEL else f", {on}"
    return Scene(
        title=f"{prefix}{_TITLES[live.measure]}{of_wheel}",
        state=guidance.words,
        ask=guidance.ask,
        value="" if plain and live.measure in _WORDS_ALONE else value,
        unit=unit,
        caption=caption,
        steer_deg=live.steer_deg if swept and not of_both else None,
        goal_deg=guidance.goal_deg if swept else None,
        wheel=live.wheel,
        sphere=guidance.sphere,
        places=guidance.places if shows_places else (),
        links=(live.link, *live.other_links),
        figures=_figures(live) if swept else (),
        footer=FOOTER,
    )


def _camber(live: LiveView) -> tuple[str, str]:
    return ("", "") if live.camber_deg is None else ("camber, live", f"{live.camber_deg:.2f}")


def _steer(live: LiveView) -> tuple[str, str]:
    """The driver steers by it, so it is what stands large."""
    steer_deg = live.steer_deg
    if steer_deg is None:
        return "", ""
    if abs(steer_deg) < STRAIGHT_DEG:
        return "steer, straight ahead", f"{abs(steer_deg):.1f}"
    side = "left" if steer_deg > 0.0 else "right"
    if live.measure == "pair":
        return f"steer of {live.wheel}, {side}", f"{abs(steer_deg):.1f}"
    inout = "out" if (steer_deg > 0.0) == live.wheel.is_left else "in"
    return f"steer, {side} ({inout})", f"{abs(steer_deg):.1f}"


def _figures(live: LiveView) -> tuple[tuple[str, str], ...]:
    also = tuple((shown.caption, f"{shown.value} {shown.unit}") for shown in live.also)
    if live.camber_deg is None:
        return also
    caption = f"{live.wheel} camber" if live.measure == "pair" else "camber, live"
    return ((caption, f"{live.camber_deg:.2f} deg"), *also)
