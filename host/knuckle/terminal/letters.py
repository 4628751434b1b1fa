"""Large letters, three rows high, for what the person is asked to do."""

from __future__ import annotations

from typing import Final

from knuckle.terminal.digits import halved
from knuckle.terminal.glyphs import Glyphs

ROWS: Final = 3
_PIXEL_ROWS: Final = 5

# Five rows of pixels, one after the other, parted by a slash.
_SHAPES: Final[dict[str, str]] = {
    "A": " ## /#  #/####/#  #/#  #",
    "B": "### /#  #/### /#  #/### ",
    "C": " ###/#   /#   /#   / ###",
    "D": "### /#  #/#  #/#  #/### ",
    "E": "####/#   /### /#   /####",
    "F": "####/#   /### /#   /#   ",
    "G": " ###/#   /# ##/#  #/ ###",
    "H": "#  #/#  #/####/#  #/#  #",
    "I": "#/#/#/#/#",
    "J": "   #/   #/   #/#  #/ ## ",
    "K": "#  #/# # /##  /# # /#  #",
    "L": "#   /#   /#   /#   /####",
    "M": "#   #/## ##/# # #/#   #/#   #",
    "N": "#  #/## #/# ##/#  #/#  #",
    "O": " ## /#  #/#  #/#  #/ ## ",
    "P": "### /#  #/### /#   /#   ",
    "Q": " ## /#  #/#  #/# ##/ ###",
    "R": "### /#  #/### /# # /#  #",
    "S": " ###/#   / ## /   #/### ",
    "T": "#####/  #  /  #  /  #  /  #  ",
    "U": "#  #/#  #/#  #/#  #/ ## ",
    "V": "#   #/#   #/ # # / # # /  #  ",
    "W": "#   #/#   #/# # #/## ##/#   #",
    "X": "#  #/#  #/ ## /#  #/#  #",
    "Y": "#   #/ # # /  #  /  #  /  #  ",
    "Z": "####/  # / #  /#   /####",
    "0": " ## /#  #/#  #/#  #/ ## ",
    "1": " #/##/ #/ #/ #",
    "2": "### /   #/ ## /#   /####",
    "3": "### /   #/ ## /   #/### ",
    "4": "#  #/#  #/####/   #/   #",
    "5": "####/#   /### /   #/### ",
    "6": " ## /#   /### /#  #/ ## ",
    "7": "####/   #/  # / #  / #  ",
    "8": " ## /#  #/ ## /#  #/ ## ",
    "9": " ## /#  #/ ###/   #/ ## ",
    "-": "   /   /###/   /   ",
    ",": " / / /#/#",
    ".": " / / / /#",
    " ": "  /  /  /  /  ",
}


def large_words(text: str, width: int, glyphs: Glyphs) -> list[str] | None:
    """Draw words in large letters.

    Parameters
    ----------
    text : str
        Letters (shown as capitals), digits, comma, point, hyphen, space.
    width : int
        The room, in cells.
    glyphs : Glyphs
        What can be shown.

    Returns
    -------
    list of str or None
        `ROWS` rows of equal length; None where they do not fit or cannot be shown.
    """
    words = text.upper()
    if not glyphs.halves or not words or not set(words) <= set(_SHAPES):
        return None
    shapes = [_SHAPES[character].split("/") for character in words]
    pixels = [" ".join(shape[row] for shape in shapes) for row in range(_PIXEL_ROWS)]
    return halved(pixels, glyphs) if len(pixels[0]) <= width else None
