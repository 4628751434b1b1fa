"""Two ways to show a scene: live on a terminal, or as plain lines anywhere else."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from types import TracebackType
from typing import Final, Protocol, Self

from rich.console import Console
from rich.live import Live

from knuckle.terminal.glyphs import Glyphs, glyphs_for
from knuckle.terminal.picture import Picture
from knuckle.terminal.scene import Scene, steer_words

_DRAWN_PER_SECOND: Final = 10
WIDTH: Final = 80


class Screen(Protocol):
    """Where a measurement shows what goes on. Used as a context manager."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...

    def show(self, scene: Scene) -> None:
        """Show a scene; may be called as often as there is something new."""
        ...

    def say(self, line: str) -> None:
        """Print a line that stays."""
        ...


class PlainScreen:
    """One line for each change of state, without control codes.

    Parameters
    ----------
    console : rich.console.Console
        Where the lines go.
    """

    def __init__(self, console: Console) -> None:
        self._console = console
        self._glyphs = glyphs_for(console.encoding)
        self._last = ""
        self._beat = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        pass

    def show(self, scene: Scene) -> None:
        """Print the scene's state if that, the title, the beat, a position or a link changed."""
        taken = tuple((mark.name, mark.taken) for mark in scene.places)
        down = tuple(link.name for link in scene.links if not link.connected)
        faults = tuple(link.faults for link in scene.links)
        key = repr((scene.title, scene.state, scene.beat, taken, down, faults))
        if key == self._last:
            return
        self._last = key
        self.say(plain_line(scene, self._glyphs))
        if scene.beat != self._beat:
            self._beat = scene.beat
            for line in beat_lines(scene):
                self.say(line)

    def say(self, line: str) -> None:
        """Print a line."""
        self._console.print(
            line, markup=False, highlight=False, soft_wrap=True, emoji=False, style=None
        )


def plain_line(scene: Scene, glyphs: Glyphs) -> str:
    """Return a scene as one line of text."""
    parts = [f"{scene.title}: {scene.state}"]
    if scene.value:
        spread = f" {glyphs.plus_minus} {scene.uncertainty} (95 %)" if scene.uncertainty else ""
        unit = "" if spread else f" {scene.unit}"
        parts.append(f"{scene.caption} {scene.value}{unit}{spread}".strip())
    if scene.steer_deg is not None and scene.wheel is not None:
        parts.append(f"steer {steer_words(scene.steer_deg, scene.wheel, glyphs.degree)}")
    if scene.places:
        parts.append(", ".join(f"{mark.name} {mark.taken}" for mark in scene.places))
    parts += [link.words for link in scene.links if not link.connected]
    parts += [link.trouble for link in scene.links if link.connected and link.faults]
    return " | ".join(parts)


def beat_lines(scene: Scene) -> list[str]:
    """Return how the links do and the further figures, as indented lines of text."""
    flows = [f"{link.name}: {link.flow}" for link in scene.links if link.connected]
    figures = [f"{label} {value}" for label, value in scene.figures]
    text = " | ".join(part.replace(" ", "\0") for part in [*flows, *figures])
    lines = textwrap.wrap(text, WIDTH, initial_indent="    ", subsequent_indent="    ")
    return [line.replace("\0", " ").removesuffix(" |") for line in lines]


class LiveScreen:
    """The live view: redrawn in place some ten times a second.

    Parameters
    ----------
    console : rich.console.Console
        A terminal.
    """

    def __init__(self, console: Console) -> None:
        self._console = console
        self._glyphs = glyphs_for(console.encoding)
        self._picture: Picture | str = ""
        self._live = Live(
            console=console,
            get_renderable=lambda: self._picture,
            refresh_per_second=_DRAWN_PER_SECOND,
            transient=True,
            vertical_overflow="crop",
        )

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._live.stop()

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Stand still, so that a line can be typed."""
        self._live.stop()
        try:
            yield
        finally:
            self._live.start(refresh=True)

    def show(self, scene: Scene) -> None:
        """Make this the scene that the next redraw shows."""
        self._picture = Picture(scene, self._glyphs)

    def say(self, line: str) -> None:
        """Print a line above the live view; it stays."""
        self._console.print(line, markup=False, highlight=False, emoji=False)


def make_screen(console: Console, *, plain: bool = False) -> Screen:
    """Return the live view on a terminal, plain lines where there is none or if asked for.

    Parameters
    ----------
    console : rich.console.Console
        Where to show.
    plain : bool
        Plain lines even on a terminal.
    """
    if plain or not console.is_terminal or os.environ.get("TERM") == "dumb":
        return PlainScreen(console)
    return LiveScreen(console)
