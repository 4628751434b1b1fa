"""The pictures of the documents show what the program shows."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import pictures

TOP = Path(__file__).resolve().parent.parent.parent


@pytest.mark.parametrize("shot", pictures.SHOTS, ids=lambda shot: shot.name)
def test_picture_is_up_to_date(shot: pictures.Shot) -> None:
    path = pictures.FOLDER / f"{shot.name}.svg"
    assert path.read_text(encoding="utf-8") == pictures.draw(shot), (
        "draw them anew: python tests/pictures.py"
    )


def test_the_plot_shows_the_figures_of_today() -> None:
    path = pictures.FOLDER / f"{pictures.PLOT}.svg"
    kept = pictures.words_of(path.read_text(encoding="utf-8"))
    assert any("caster" in word for word in kept)
    assert kept == pictures.words_of(pictures.draw_plot()), "draw it anew: tests/pictures.py"


def test_every_picture_is_shown_and_drawn() -> None:
    shown = set(re.findall(r"docs/pictures/([\w-]+)\.svg", (TOP / "README.md").read_text("utf-8")))
    drawn = {path.stem for path in pictures.FOLDER.glob("*.svg")}
    assert shown == drawn == {shot.name for shot in pictures.SHOTS} | {pictures.PLOT}
