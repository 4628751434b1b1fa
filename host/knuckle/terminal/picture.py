"""The live view of a scene as a rich renderable that fits the room it is given."""

from __future__ import annotations

from typing import Final

from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.style import Style
from rich.table import Table
from rich.text import Text

from knuckle.model.guidance import Ask, LinkState, PlaceMark
from knuckle.terminal import digits, sphere_picture, wheel_picture
from knuckle.terminal.glyphs import Glyphs
from knuckle.terminal.letters import large_words
from knuckle.terminal.scene import Scene

_COLOURS: Final = {
    Ask.WAIT: Style(color="white", bgcolor="bright_black", bold=True),
    Ask.HOLD: Style(color="black", bgcolor="yellow", bold=True),
    Ask.MOVE: Style(color="white", bgcolor="blue", bold=True),
    Ask.TAKEN: Style(color="black", bgcolor="green", bold=True),
    Ask.DONE: Style(color="black", bgcolor="green", bold=True),
    Ask.TROUBLE: Style(color="white", bgcolor="red", bold=True),
}
_LEAST_TEXT: Final = 30
_LEAST_BESIDE: Final = 16
_HIGH: Final = 22
"""From this many rows on there is room for everything."""


def _bar(scene: Scene, width: int, high: bool, colour: bool, glyphs: Glyphs) -> Text:
    # Without colour only reverse video sets the bar off.
    style = _COLOURS[scene.ask] if colour else Style(reverse=True, bold=True)
    blank = " " * width
    large = large_words(scene.state, width - 2, glyphs) if high else None
    if large is not None:
        rows = [blank, *(f"{row:^{width}}" for row in large)]
    else:
        line = f"{scene.state[: width - 2].upper():^{width}}"
        rows = [blank, line, blank] if high else [line]
    return Text("\n".join(rows), style=style, no_wrap=True)


def _value(scene: Scene, width: int, rows: int, glyphs: Glyphs) -> Text:
    shown = Text(no_wrap=True)
    if scene.caption:
        shown.append(f"{scene.caption}\n\n", Style(bold=True))
    if scene.value:
        figure = digits.large(scene.value, width, rows, glyphs)
        shown.append("\n".join(figure), Style(bold=True))
        if len(figure) == 1:
            shown.append(f" {scene.unit}")
        else:
            shown.append("\n")
    if scene.uncertainty:
        shown.append(f"\n{glyphs.plus_minus} {scene.uncertainty}", Style(bold=True))
        shown.append("  (95 %)")
    elif scene.value:
        shown.append(f"\n{scene.unit}")
    return shown


def _places(marks: tuple[PlaceMark, ...], glyphs: Glyphs) -> Text:
    shown = Text(overflow="fold")
    for mark in marks:
        done = mark.taken >= mark.wanted
        dots = glyphs.tick * mark.taken + glyphs.empty * max(mark.wanted - mark.taken, 0)
        shown.append(
            f"{mark.name} {dots}   ", Style(color="green" if done else None, bold=not done)
        )
    return shown


def _figures(figures: tuple[tuple[str, str], ...], width: int) -> RenderableType:
    columns = max(1, min(3, width // 26))
    table = Table.grid(padding=(0, 3))
    for _ in range(columns):
        table.add_column(no_wrap=True, overflow="crop")
    cells = [Text.assemble((f"{label} ", "dim"), value) for label, value in figures]
    for first in range(0, len(cells), columns):
        table.add_row(*cells[first : first + columns])
    return table


def _link(link: LinkState) -> Text:
    if not link.connected:
        return Text(link.words, Style(color="red", bold=True))
    if link.faults:
        return Text(link.words, Style(color="red", bold=True))
    troubled = bool(link.lost or link.damaged)
    return Text(link.words, Style(color="yellow" if troubled else None))


class Picture:
    """A scene, drawn for whatever room the console has.

    Parameters
    ----------
    scene : Scene
        What to show.
    glyphs : Glyphs
        What can be shown.
    """

    def __init__(self, scene: Scene, glyphs: Glyphs) -> None:
        self._scene = scene
        self._glyphs = glyphs

    def _middle(self, width: int, height: int) -> RenderableType:
        scene = self._scene
        if scene.sphere is not None and width >= sphere_picture.WIDTH and height >= _HIGH:
            return self._beside_sphere(width)
        if scene.steer_deg is None or scene.wheel is None:
            return _value(scene, width, digits.ROWS, self._glyphs)
        wheel = wheel_picture.draw(scene.steer_deg, scene.wheel, scene.goal_deg, self._glyphs)
        beside = width - wheel_picture.WIDTH - 1
        if beside >= _LEAST_TEXT and height >= _HIGH:
            side = Table.grid(expand=True)
            side.add_column(ratio=1)
            side.add_column(width=wheel_picture.WIDTH)
            side.add_row(_value(scene, beside, digits.ROWS, self._glyphs), wheel)
            return side
        small = _value(scene, width, 4, self._glyphs)
        if width >= wheel_picture.WIDTH and height >= _HIGH + 8:
            return Group(small, wheel)
        pointer = str(wheel).split("\n")[-1] if width >= wheel_picture.WIDTH else ""
        return Group(small, Text(pointer, no_wrap=True)) if pointer else small

    def _beside_sphere(self, width: int) -> RenderableType:
        scene = self._scene
        assert scene.sphere is not None
        sphere = sphere_picture.draw(scene.sphere, self._glyphs)
        beside = width - sphere_picture.WIDTH - 2
        if beside < _LEAST_BESIDE:
            return sphere
        side = Table.grid(expand=True)
        side.add_column(width=beside)
        side.add_column(width=sphere_picture.WIDTH)
        side.add_row(_value(scene, beside, 4, self._glyphs), sphere)
        return side

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Yield the rows of the view."""
        scene, width, height = self._scene, options.max_width, console.size.height
        high = height >= _HIGH
        colour = console.color_system is not None and not console.no_color
        yield Text(scene.title, Style(bold=True), no_wrap=True, overflow="crop")
        yield _bar(scene, width, high, colour, self._glyphs)
        yield self._middle(width, height)
        if high:
            yield Text("")
        if scene.places:
            yield _places(scene.places, self._glyphs)
        if scene.figures and high:
            yield _figures(scene.figures, width)
        for link in scene.links:
            yield _link(link)
        if scene.footer:
            yield Text(scene.footer, Style(dim=True), no_wrap=True, overflow="crop")
