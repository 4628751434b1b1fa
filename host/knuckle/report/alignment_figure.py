"""A line of the report as a drawing: intervals before and after over the target's band (SVG).

Told by shape, not by colour: before is an open circle on a thin line, after a filled square on a
thick one, the band is hatched between two posts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final
from xml.sax.saxutils import escape, quoteattr

from knuckle.report.alignment_page import Line, Reading
from knuckle.report.figures import number

WIDTH: Final = 340.0
HEIGHT: Final = 56.0
MARGIN: Final = 14.0
BAND_TOP: Final = 4.0
BAND_FOOT: Final = 38.0
BEFORE_Y: Final = 14.0
AFTER_Y: Final = 28.0
TEXT_Y: Final = 51.0
NARROWEST_DEG: Final = 0.02


def limits(line: Line) -> tuple[float, float]:
    """Return the ends of the axis: all that is drawn lies between, with an eighth to spare."""
    values: list[float] = [v for v in (line.low, line.high, line.aim) if v is not None]
    for reading in (line.before, line.after):
        if reading is not None:
            values += [
                reading.value - reading.expanded_uncertainty,
                reading.value + reading.expanded_uncertainty,
            ]
    low, high = min(values), max(values)
    room = max((high - low) / 8.0, NARROWEST_DEG / 2.0)
    return low - room, high + room


def describe(line: Line) -> str:
    """Return what the drawing shows, for those who cannot see it."""
    parts = [f"{line.name} {line.place}".strip()]
    if line.low is not None and line.high is not None:
        parts.append(f"band {line.low:g} to {line.high:g} {line.unit}")
    for word, reading in (("before", line.before), ("after", line.after)):
        if reading is not None:
            parts.append(
                f"{word} {number(reading.value, 2)} plus or minus "
                f"{number(reading.expanded_uncertainty, 2)}, {reading.verdict.value}"
            )
    return "; ".join(parts)


def _whisker(reading: Reading, y: float, x: Sequence[float], thick: float) -> list[str]:
    left, right = x
    return [
        f'<path d="M{left:.1f} {y:g}H{right:.1f}M{left:.1f} {y - 5:g}v10M{right:.1f} {y - 5:g}v10" '
        f'stroke="#000" stroke-width="{thick:g}" fill="none"/>'
    ]


def _exact(end: float) -> str:
    """Write an end of the band to the thousandth, without zeros at its end."""
    text = number(end, 3).rstrip("0")
    return f"{text}0" if text.endswith(".") else text


def _label(x: float, text: str) -> str:
    """Write under the axis, kept inside the drawing."""
    half = 3.1 * len(text)
    x = min(max(x, half), WIDTH - half)
    return f'<text x="{x:.1f}" y="{TEXT_Y:g}" text-anchor="middle">{escape(text)}</text>'


def svg(line: Line, serial: int) -> str:
    """Return the drawing.

    Parameters
    ----------
    line : Line
    serial : int
        Tells the drawings of one page apart.

    Returns
    -------
    str
        An `svg` element; empty where there is nothing to draw.
    """
    if line.before is None and line.after is None:
        return ""
    low, high = limits(line)
    scale = (WIDTH - 2.0 * MARGIN) / (high - low)
    decimals = min(max(1 - math.floor(math.log10(high - low)), 1), 3)

    def at(value: float) -> float:
        return MARGIN + (value - low) * scale

    drawn = [
        f'<svg viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" '
        f"aria-label={quoteattr(describe(line))}>",
        f'<path d="M{MARGIN:g} {BAND_FOOT:g}H{WIDTH - MARGIN:g}" stroke="#555"/>',
    ]
    if line.low is not None and line.high is not None:
        left, right = at(line.low), at(line.high)
        drawn += [
            f'<pattern id="h{serial}" width="6" height="6" patternUnits="userSpaceOnUse">'
            '<path d="M0 6L6 0" stroke="#999" stroke-width=".8"/></pattern>',
            f'<rect x="{left:.1f}" y="{BAND_TOP:g}" width="{max(right - left, 1.0):.1f}" '
            f'height="{BAND_FOOT - BAND_TOP:g}" fill="url(#h{serial})"/>',
            f'<path d="M{left:.1f} {BAND_TOP:g}V{BAND_FOOT + 3:g}M{right:.1f} {BAND_TOP:g}'
            f'V{BAND_FOOT + 3:g}" stroke="#000" stroke-width="1.2"/>',
        ]
        texts = (_exact(line.low), _exact(line.high))
        apart = right - left > 3.4 * (len(texts[0]) + len(texts[1]))
        if apart:
            drawn += [_label(left, texts[0]), _label(right, texts[1])]
        else:
            drawn.append(_label((left + right) / 2.0, " to ".join(texts)))
    else:
        drawn += [
            _label(MARGIN, number(low, decimals)),
            _label(WIDTH - MARGIN, number(high, decimals)),
        ]
    for reading, y, thick in ((line.before, BEFORE_Y, 1.2), (line.after, AFTER_Y, 2.6)):
        if reading is None:
            continue
        ends = [at(reading.value + sign * reading.expanded_uncertainty) for sign in (-1.0, 1.0)]
        drawn += _whisker(reading, y, ends, thick)
        x = at(reading.value)
        drawn.append(
            f'<circle cx="{x:.1f}" cy="{y:g}" r="4.5" fill="#fff" stroke="#000" '
            'stroke-width="1.6"/>'
            if reading is line.before
            else f'<rect x="{x - 4.5:.1f}" y="{y - 4.5:g}" width="9" height="9" fill="#000"/>'
        )
    return "".join([*drawn, "</svg>"])
