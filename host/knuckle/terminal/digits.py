"""Large digits, readable from two metres."""

from __future__ import annotations

from typing import Final

from knuckle.terminal.glyphs import Glyphs

ROWS: Final = 7

_SHAPES: Final[dict[str, tuple[str, ...]]] = {
    "0": (" ## ", "#  #", "#  #", "#  #", "#  #", "#  #", " ## "),
    "1": ("  # ", " ## ", "# # ", "  # ", "  # ", "  # ", "  # "),
    "2": ("### ", "   #", "   #", " ## ", "#   ", "#   ", "####"),
    "3": ("####", "   #", "  # ", " ## ", "   #", "   #", "### "),
    "4": ("#  #", "#  #", "#  #", "####", "   #", "   #", "   #"),
    "5": ("####", "#   ", "#   ", "### ", "   #", "   #", "### "),
    "6": (" ###", "#   ", "#   ", "### ", "#  #", "#  #", " ## "),
    "7": ("####", "   #", "   #", "  # ", "  # ", " #  ", " #  "),
    "8": (" ## ", "#  #", "#  #", " ## ", "#  #", "#  #", " ## "),
    "9": (" ## ", "#  #", "#  #", " ###", "   #", "   #", "### "),
    "-": ("   ", "   ", "   ", "###", "   ", "   ", "   "),
    "+": ("   ", "   ", " # ", "###", " # ", "   ", "   "),
    ".": (" ", " ", " ", " ", " ", " ", "#"),
    " ": ("  ", "  ", "  ", "  ", "  ", "  ", "  "),
}


def _pixels(text: str) -> list[str]:
    shapes = [_SHAPES[character] for character in text]
    return [" ".join(shape[row] for shape in shapes) for row in range(ROWS)]


def halved(pixels: list[str], glyphs: Glyphs) -> list[str]:
    """Return an odd number of pixel rows (``#`` and space) as half as many rows of cells."""
    rows = [*pixels, " " * len(pixels[0])]
    cells = {
        ("#", "#"): glyphs.full,
        ("#", " "): glyphs.upper,
        (" ", "#"): glyphs.lower,
        (" ", " "): " ",
    }
    return [
        "".join(cells[pair] for pair in zip(rows[row], rows[row + 1], strict=True))
        for row in range(0, len(rows), 2)
    ]


def large(text: str, width: int, rows: int, glyphs: Glyphs) -> list[str]:
    """Draw a figure as large as the room allows.

    Parameters
    ----------
    text : str
        Digits, sign and point; anything else is shown as it is, in one row.
    width, rows : int
        The room, in cells.
    glyphs : Glyphs
        What can be shown.

    Returns
    -------
    list of str
        Rows of equal length: seven where it fits, four or one where it does not.
    """
    text = text.replace("−", "-")
    if not text or not set(text) <= set(_SHAPES):
        return [text]
    pixels = _pixels(text)
    if 2 * len(pixels[0]) <= width and rows >= ROWS:
        # A cell is about twice as high as wide, so two make a square.
        return ["".join(pixel * 2 for pixel in row).replace("#", glyphs.full) for row in pixels]
    if glyphs.halves and len(pixels[0]) <= width and rows >= (ROWS + 1) // 2:
        return halved(pixels, glyphs)
    return [text]
