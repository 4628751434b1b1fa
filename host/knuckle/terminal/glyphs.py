"""Which characters a stream can show: old code pages get plain ASCII instead."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Glyphs:
    """The characters that the views draw with.

    Attributes
    ----------
    halves : bool
        Whether `upper` and `lower` fill half a cell each (else they are spare ASCII).
    """

    full: str
    upper: str
    lower: str
    halves: bool
    degree: str
    plus_minus: str
    marker: str
    goal: str
    tick: str
    empty: str
    line: str


_WANTED = Glyphs(
    full="█",
    upper="▀",
    lower="▄",
    halves=True,
    degree="°",
    plus_minus="±",
    marker="▲",
    goal="◆",
    tick="●",
    empty="○",
    line="─",
)
_ASCII = Glyphs(
    full="#",
    upper="#",
    lower="#",
    halves=False,
    degree=" deg",
    plus_minus="+/-",
    marker="^",
    goal="*",
    tick="x",
    empty="-",
    line="-",
)


def _encodable(text: str, encoding: str) -> bool:
    try:
        text.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def glyphs_for(encoding: str | None) -> Glyphs:
    """Return the characters that an encoding can show.

    Parameters
    ----------
    encoding : str or None
        As of a stream, e.g. "utf-8", "cp437", "cp1252"; None is taken as ASCII.
    """
    code = encoding or "ascii"
    blocks = all(_encodable(glyph, code) for glyph in (_WANTED.full, _WANTED.upper, _WANTED.lower))

    def of(name: str) -> str:
        wanted: str = getattr(_WANTED, name)
        spare: str = getattr(_ASCII, name)
        return wanted if _encodable(wanted, code) else spare

    cells = _WANTED if blocks else _ASCII
    return Glyphs(
        full=cells.full,
        upper=cells.upper,
        lower=cells.lower,
        halves=blocks,
        degree=of("degree"),
        plus_minus=of("plus_minus"),
        marker=of("marker"),
        goal=of("goal"),
        tick=of("tick"),
        empty=of("empty"),
        line=of("line"),
    )
