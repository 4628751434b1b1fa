"""The live view as text: sizes, code pages, colour or none."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest
from rich.console import Console

from knuckle.model.guidance import Ask, LinkState, PlaceMark
from knuckle.model.wheel import Wheel
from knuckle.terminal import digits, wheel_picture
from knuckle.terminal.glyphs import glyphs_for
from knuckle.terminal.letters import large_words
from knuckle.terminal.picture import Picture
from knuckle.terminal.scene import Scene, steer_words

SCENE = Scene(
    title="Sweep, left front",
    state="Turn further out",
    ask=Ask.MOVE,
    value="-12.34",
    uncertainty="0.08 deg",
    caption="camber",
    steer_deg=14.0,
    goal_deg=20.0,
    wheel=Wheel.LF,
    places=(PlaceMark("straight", 1, 2), PlaceMark("in", 1), PlaceMark("out", 0)),
    links=(LinkState("front pod", rate_hz=100.0, lost=3, damaged=1),),
    figures=(("temperature", "23.1 C"), ("noise", "0.02 deg"), ("rate", "0.1 deg/s")),
    footer="Ctrl-C ends; what was captured is kept",
)


def drawn(scene: Scene, encoding: str, width: int, height: int, **options: object) -> str:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding, errors="strict", newline="\n")
    console = Console(file=stream, width=width, height=height, **options)  # type: ignore[arg-type]  # passed through
    console.print(Picture(scene, glyphs_for(encoding)))
    stream.flush()
    return raw.getvalue().decode(encoding)


@pytest.mark.parametrize("encoding", ["utf-8", "cp437", "cp1252", "ascii"])
def test_fits_80_by_24_in_every_code_page(encoding: str) -> None:
    rows = drawn(SCENE, encoding, 80, 24).splitlines()
    assert len(rows) <= 23
    assert max(len(row) for row in rows) <= 80
    text = "\n".join(rows)
    for words in ("Sweep, left front", "14.0", "0.08 deg", "front pod"):
        assert words in text
    state = large_words("Turn further out", 78, glyphs_for(encoding)) or ["TURN FURTHER OUT"]
    assert len(state) == (3 if encoding in ("utf-8", "cp437") else 1)
    for row in state:
        assert row in text
    assert "nothing lost" not in text
    assert "3 samples lost, 1 frames damaged" in text
    large_rows = digits.large("-12.34", 52, 7, glyphs_for(encoding))
    assert len(large_rows) == digits.ROWS
    for row in large_rows:
        assert row.rstrip() in text


@pytest.mark.parametrize("width", [1, 8, 16, 27, 40, 60, 79, 120])
@pytest.mark.parametrize("height", [3, 12, 24, 40])
@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
def test_any_size_without_breaking(width: int, height: int, encoding: str) -> None:
    rows = drawn(SCENE, encoding, width, height).splitlines()
    assert max(len(row) for row in rows) <= width


def test_words_that_do_not_fit_in_large_are_shown_small() -> None:
    scene = replace(SCENE, state="Turn as far as the lock: further out")
    assert "TURN AS FAR AS THE LOCK: FURTHER OUT" in drawn(scene, "utf-8", 80, 24)
    assert "TURN FURTHER OUT" in drawn(SCENE, "utf-8", 60, 24)


def test_letters_are_all_different_and_of_one_height() -> None:
    glyphs = glyphs_for("utf-8")
    shapes = [large_words(letter, 80, glyphs) for letter in "ABCDEFGHIJKLMNOPQRSTUVWXYZ"]
    assert all(shape is not None and len(shape) == 3 for shape in shapes)
    assert all(len({len(row) for row in shape}) == 1 for shape in shapes if shape)
    assert len({tuple(shape) for shape in shapes if shape}) == 26
    digit_shapes = {tuple(large_words(digit, 80, glyphs) or ()) for digit in "0123456789"}
    assert len(digit_shapes) == 10


def test_narrow_still_shows_the_figure() -> None:
    assert "-12.34 deg" in drawn(SCENE, "utf-8", 16, 24)


def test_no_colour_has_no_colour_codes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    plain = drawn(SCENE, "utf-8", 80, 24, force_terminal=True, color_system="256")
    for code in ("\x1b[3", "\x1b[4", "38;", "48;", "\x1b[9"):
        assert code not in plain
    assert "\x1b[1;7m" in plain, "the bar is set off by reverse video"
    monkeypatch.delenv("NO_COLOR")
    assert "4" in drawn(SCENE, "utf-8", 80, 24, force_terminal=True, color_system="256")
    assert ";44m" in drawn(SCENE, "utf-8", 80, 24, force_terminal=True, color_system="standard")


def test_lost_link_is_told_in_words() -> None:
    scene = Scene("Watch", "Waiting", links=(LinkState("pod", connected=False),))
    assert "LINK LOST" in drawn(scene, "ascii", 80, 24)


@pytest.mark.parametrize(
    ("steer_deg", "wheel", "words"),
    [
        (12.3, Wheel.LF, "12.3° out"),
        (-12.3, Wheel.LF, "12.3° in"),
        (12.3, Wheel.RF, "12.3° in"),
        (-12.3, Wheel.RF, "12.3° out"),
        (0.04, Wheel.RF, "0.0°"),
    ],
)
def test_steer_in_words(steer_deg: float, wheel: Wheel, words: str) -> None:
    # design: ISO, left positive; "in" is towards toe-in for that wheel.
    assert steer_words(steer_deg, wheel) == words


def pixels(text: str) -> list[str]:
    return text.split("\n")[: wheel_picture.ROWS]


def test_the_picture_turns_the_right_way() -> None:
    glyphs = glyphs_for("ascii")
    left = pixels(str(wheel_picture.draw(20.0, Wheel.LF, None, glyphs)))
    right = pixels(str(wheel_picture.draw(-20.0, Wheel.LF, None, glyphs)))
    assert left[1].index("#") < left[-2].index("#"), "steered left, the front points left"
    assert right[1].index("#") > right[-2].index("#")
    assert left[4].index("=") > left[4].index("#"), "a left wheel has the body on its right"
    other = pixels(str(wheel_picture.draw(20.0, Wheel.RF, None, glyphs)))
    assert other[4].index("=") < other[4].index("#")


def test_mirrored_wheels_give_mirrored_pictures() -> None:
    glyphs = glyphs_for("ascii")
    left = pixels(str(wheel_picture.draw(13.0, Wheel.LF, None, glyphs)))
    right = pixels(str(wheel_picture.draw(-13.0, Wheel.RF, None, glyphs)))
    assert [row[::-1] for row in left] == right


def test_scale_marks_steer_and_goal_on_the_side_they_are() -> None:
    rows = str(wheel_picture.draw(10.0, Wheel.LF, -20.0, glyphs_for("ascii"))).split("\n")
    scale, pointers = rows[wheel_picture.ROWS], rows[wheel_picture.ROWS + 1]
    assert pointers.index("^") < wheel_picture.WIDTH // 2 < pointers.index("*")
    assert scale[pointers.index("^")] == "+"
    assert scale[pointers.index("*")] == "+"
    far = str(wheel_picture.draw(90.0, Wheel.LF, None, glyphs_for("ascii"))).split("\n")
    assert far[wheel_picture.ROWS + 1].startswith("^")


def test_digits_are_all_different_and_of_one_height() -> None:
    glyphs = glyphs_for("utf-8")
    shapes = {
        character: tuple(digits.large(character, 80, 7, glyphs)) for character in "0123456789"
    }
    assert len(set(shapes.values())) == 10
    assert all(len(shape) == digits.ROWS for shape in shapes.values())
    small = {tuple(digits.large(character, 4, 7, glyphs)) for character in "0123456789"}
    assert len(small) == 10
    assert all(len(shape) == 4 for shape in small)
    assert digits.large("no value", 80, 7, glyphs) == ["no value"]
