"""The report of an alignment as one page of HTML that needs nothing beside it."""

from __future__ import annotations

import base64
from importlib import resources
from typing import Final

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from knuckle.report.alignment_figure import svg
from knuckle.report.alignment_page import Line, Page, Verdict
from knuckle.report.figures import decimals_for, number, with_uncertainty

TEMPLATE: Final = "alignment.html.j2"
MARKS: Final = {
    Verdict.INSIDE: "\u25cf",
    Verdict.OUTSIDE: "\u25b2",
    Verdict.CANNOT_TELL: "\u25c7",
    Verdict.NO_TARGET: "",
}
"""Shapes that stand before the words: filled circle, triangle, open diamond."""


def band(line: Line) -> str:
    """Return the target in words: "-2.50 (-2.80 to -2.20)"."""
    if line.low is None or line.high is None:
        return "none"
    ends = f"{number(line.low, 2)} to {number(line.high, 2)}"
    return ends if line.aim is None else f"{number(line.aim, 2)} ({ends})"


def html(page: Page) -> str:
    """Return the page as text."""
    text = (resources.files("knuckle.report") / TEMPLATE).read_text(encoding="utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    environment.lstrip_blocks = True
    lines = [line for section in page.sections for line in section.lines]
    drawings = {id(line): Markup(svg(line, serial)) for serial, line in enumerate(lines)}
    images = [
        (base64.b64encode(plot.png).decode("ascii"), plot.alternative, plot.caption)
        for plot in page.plots
    ]
    return environment.from_string(text).render(
        page=page,
        drawing=lambda line: drawings[id(line)],
        band=band,
        marks=MARKS,
        figure=lambda reading: with_uncertainty(reading.value, reading.expanded_uncertainty),
        one_sigma=lambda value: number(value, decimals_for(value)),
        percent=lambda share: f"{100.0 * share:.0f} %",
        images=images,
        no_target=Verdict.NO_TARGET,
    )
