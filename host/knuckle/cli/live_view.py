"""A live measurement on the terminal: moments as scenes, cues as sounds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from knuckle.run.view import LiveView
from knuckle.terminal.scene import LinkHealth, Mood, PositionMark, Scene
from knuckle.wire.messages import Cue

if TYPE_CHECKING:
    from knuckle.terminal.screen import Screen
    from knuckle.terminal.sounds import Sounds

FOOTER: Final = "Ctrl-C ends it; what was captured is kept."


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
        self._sounds = sounds
        self._prefix = prefix

    def show(self, live: LiveView) -> None:
        """Show a moment."""
        self._screen.show(scene_of(live, self._prefix))

    def say(self, line: str) -> None:
        """Print a line that stays."""
        self._screen.say(line)

    def sound(self, cue: Cue) -> None:
        """Have a cue heard."""
        self._sounds.play(cue)


def scene_of(live: LiveView, prefix: str = "") -> Scene:
    """Return a moment of a measurement as a scene."""
    guidance, link = live.guidance, live.link
    swept = live.measure == "sweep"
    return Scene(
        title=f"{prefix}{'Sweep' if swept else 'Camber'}, {live.wheel.spoken}",
        state=guidance.words,
        mood=Mood(guidance.ask.value),
        value="" if live.camber_deg is None else f"{live.camber_deg:.2f}",
        unit="deg",
        caption="camber, live" if live.camber_deg is not None else "",
        steer_deg=live.steer_deg if swept else None,
        goal_deg=guidance.goal_deg if swept else None,
        wheel=live.wheel,
        positions=tuple(
            PositionMark(place.name, place.taken, place.wanted) for place in guidance.places
        ),
        links=(LinkHealth(link.name, link.connected, link.rate_hz, link.lost, link.damaged),),
        footer=FOOTER,
    )
