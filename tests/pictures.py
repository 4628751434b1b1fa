#!/usr/bin/env python3
"""Draw the pictures of the README from real runs: ``python tests/pictures.py``.

Each picture is a moment of a command's live view, or a plot, of a simulated pod with a fixed seed,
drawn as SVG into docs/pictures. A test draws them again and compares, so that they cannot go stale.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Final, Self
from unittest import mock

from rich.console import Console
from rich.terminal_theme import TerminalTheme

from knuckle.cli.app import run
from knuckle.terminal.glyphs import glyphs_for
from knuckle.terminal.picture import Picture as Drawing
from knuckle.terminal.scene import Scene
from knuckle.terminal.screen import LiveScreen

FOLDER: Final = Path(__file__).resolve().parent.parent / "docs" / "pictures"
COLUMNS: Final = 80
ROWS: Final = 24

# Plain on purpose: a dark sheet with the terminal's text, and no fonts from elsewhere.
SHEET: Final = """<svg viewBox="0 0 {width} {height}" \
xmlns="http://www.w3.org/2000/svg">
<style>
.{unique_id}-matrix {{ font-family: "DejaVu Sans Mono", Menlo, Consolas, monospace; \
font-size: {char_height}px; line-height: {line_height}px; }}
{styles}
</style>
<defs>
<clipPath id="{unique_id}-clip-terminal">
<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}" />
</clipPath>
{lines}
</defs>
<rect width="{width}" height="{height}" rx="6" fill="#14181c" />
<g transform="translate({terminal_x}, {terminal_y})" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</g>
</svg>
"""

COLOURS: Final = TerminalTheme(
    background=(20, 24, 28),
    foreground=(225, 228, 230),
    normal=[
        (0, 0, 0),
        (190, 50, 45),
        (60, 160, 90),
        (215, 165, 40),
        (60, 110, 190),
        (150, 80, 160),
        (50, 150, 160),
        (225, 228, 230),
    ],
    bright=[
        (100, 108, 116),
        (230, 95, 85),
        (95, 200, 125),
        (240, 200, 85),
        (105, 155, 235),
        (190, 125, 200),
        (95, 195, 205),
        (255, 255, 255),
    ],
)


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture.

    Attributes
    ----------
    name : str
        Of the file.
    words : tuple of str
        The command line.
    moment : callable
        The first scene for which it is true is drawn.
    """

    name: str
    words: tuple[str, ...]
    moment: Callable[[Scene], bool]


SHOTS: Final = (
    Shot(
        "watch",
        ("watch", "--pod", "sim:garage?seed=1", "--wheel", "LF", "--seconds", "12"),
        lambda scene: scene.state == "Still" and (scene.steer_deg or 0.0) > 15.0,
    ),
    Shot(
        "sweep",
        ("sweep", "--pod", "sim:demo", "--wheel", "LF"),
        lambda scene: scene.state == "Taken" and (scene.steer_deg or 0.0) < -15.0,
    ),
)

DATE: Final = re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d")
"""When a run was made: the one thing in a picture that would change each time."""

PLOT: Final = "sweep_result"
"""The result of the same sweep, as ``knuckle plot`` draws it."""


class Recording(LiveScreen):
    """A screen that keeps the one scene that is asked for."""

    def __init__(self, moment: Callable[[Scene], bool]) -> None:
        self._moment = moment
        self.kept: Scene | None = None

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
        """Keep the scene if it is the first of its kind."""
        if self.kept is None and self._moment(scene):
            self.kept = scene

    def say(self, line: str) -> None:
        """Nothing is said in a picture."""


def draw(shot: Shot) -> str:
    """Run a command and return its picture as SVG text.

    Raises
    ------
    RuntimeError
        If the command fails, or the moment never comes.
    """
    screen = Recording(shot.moment)
    told = io.StringIO()
    with (
        tempfile.TemporaryDirectory() as folder,
        mock.patch.dict(os.environ, {"KNUCKLE_LOG": f"{folder}/log", "KNUCKLE_SOUND": "off"}),
        mock.patch("knuckle.terminal.screen.make_screen", lambda *_, **__: screen),
        contextlib.redirect_stdout(told),
        contextlib.redirect_stderr(told),
    ):
        code = run([*shot.words, "--store", f"{folder}/runs.sqlite3"])
    if code != 0 or screen.kept is None:
        raise RuntimeError(f"{' '.join(shot.words)} ended with {code}:\n{told.getvalue()}")
    console = Console(
        record=True,
        width=COLUMNS,
        height=ROWS,
        file=io.StringIO(),
        force_terminal=True,
        color_system="truecolor",
        legacy_windows=False,
        _environ={},
    )
    console.print(Drawing(screen.kept, glyphs_for("utf-8")))
    return console.export_svg(code_format=SHEET, unique_id=shot.name, theme=COLOURS)


def draw_plot() -> str:
    """Sweep, plot, and return the plot as SVG text.

    Raises
    ------
    RuntimeError
        If a command fails.
    """
    told = io.StringIO()
    with (
        tempfile.TemporaryDirectory() as folder,
        mock.patch.dict(os.environ, {"KNUCKLE_LOG": f"{folder}/log", "KNUCKLE_SOUND": "off"}),
        contextlib.redirect_stdout(told),
        contextlib.redirect_stderr(told),
    ):
        store = ("--store", f"{folder}/runs.sqlite3", "--plain")
        out = Path(folder) / "result.svg"
        sweep = ("sweep", "--pod", "sim:demo", "--wheel", "LF", *store)
        plot = ("plot", "last", "--what", "result", "--svg", "--out", str(out), *store)
        if run(sweep) != 0 or run(plot) != 0:
            raise RuntimeError(told.getvalue())
        return DATE.sub("simulated", out.read_text(encoding="utf-8"))


def words_of(svg: str) -> list[str]:
    """Return the texts of an SVG drawing, in order: what a stale picture would have wrong."""
    return re.findall(r"<text[^>]*>([^<]+)</text>", svg)


def main() -> int:
    """Draw all pictures anew."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    for shot in SHOTS:
        path = FOLDER / f"{shot.name}.svg"
        path.write_text(draw(shot), encoding="utf-8", newline="\n")
        print(path)
    path = FOLDER / f"{PLOT}.svg"
    path.write_text(draw_plot(), encoding="utf-8", newline="\n")
    print(path)
    return 0


if __name__ == "__main__":
    sys.exit(main())
