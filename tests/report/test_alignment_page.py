"""The report of an alignment: drawn to scale, whole in itself, legible to all, in a browser."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from knuckle.report.alignment_figure import MARGIN, WIDTH, limits, svg
from knuckle.report.alignment_html import html
from knuckle.report.alignment_page import (
    BudgetLine,
    Line,
    Page,
    Plot,
    Reading,
    Section,
    Table,
    Verdict,
)
from report import browser

# The smallest picture there is: one white pixel (PNG, written by zlib and the format's rules).
PIXEL = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010802000000907753de0000000c49444154789c63f8ff"
    "ff3f0005fe02fe0def46b80000000049454e44ae426082"
)
CAMBER = Line(
    "Camber",
    "LF",
    "deg",
    -2.8,
    -2.5,
    -2.2,
    Reading(-1.02, 0.11, Verdict.OUTSIDE),
    Reading(-2.46, 0.11, Verdict.INSIDE),
    change="changed by -1.44 ± 0.05",
    condition="relative to the pads",
    budget=(BudgetLine("mount: spin axis against the pod", 0.05, 0.6, "9"),),
)
TOE = Line(
    "Toe",
    "LF",
    "deg",
    -0.05,
    0.0,
    0.05,
    Reading(0.43, 0.03, Verdict.OUTSIDE, "3.0 mm over 400 mm; 25.8'"),
    None,
)
PAGE = Page(
    "Marsh <hare> & co",
    "job 3",
    "2026-05-02 10:12 to 2026-05-03 16:40 UTC",
    "1 of 2 figures inside, 1 outside.",
    (Section("Front axle", (CAMBER, TOE)),),
    (Table("Pads", ("Corner", "Height", "Shim"), (("LF", "0.0 mm", "2.0 mm"),), "By level."),),
    (Plot(PIXEL, "Camber against steer of LF", "Sweep of LF"),),
    ("Tyres 180 kPa.",),
    ("Never work under a car that only a jack holds.",),
    "0.0",
)


def test_intervals_and_band_are_drawn_to_scale() -> None:
    drawn = svg(CAMBER, 0)
    low, high = limits(CAMBER)
    scale = (WIDTH - 2.0 * MARGIN) / (high - low)
    after = re.search(r'<rect x="([\d.]+)" y="[\d.]+" width="9"', drawn)
    before = re.search(r'<circle cx="([\d.]+)"', drawn)
    band = re.search(r'<rect x="([\d.]+)" y="4" width="([\d.]+)"', drawn)
    assert after and before and band
    assert float(after[1]) + 4.5 == pytest.approx(MARGIN + (-2.46 - low) * scale, abs=0.1)
    assert float(before[1]) == pytest.approx(MARGIN + (-1.02 - low) * scale, abs=0.1)
    assert float(band[2]) == pytest.approx(0.6 * scale, abs=0.1)
    ends = [
        float(x) for x in re.findall(r"M([\d.]+) (?:23)v10|M[\d.]+ 23v10M([\d.]+)", drawn)[0] if x
    ]
    assert ends[0] == pytest.approx(MARGIN + (-2.46 - 0.11 - low) * scale, abs=0.1)


@pytest.mark.parametrize(
    "line",
    [
        replace(CAMBER, low=None, aim=None, high=None),
        replace(CAMBER, before=None),
        replace(CAMBER, low=-2.5, high=-2.5),
        replace(CAMBER, after=Reading(48.0, 12.0, Verdict.OUTSIDE)),
        Line("Caster", "RF", "deg", before=Reading(5.0, 0.0, Verdict.NO_TARGET)),
    ],
)
def test_nothing_is_drawn_beyond_the_edge(line: Line) -> None:
    drawn = svg(line, 1)
    at = [float(x) for x in re.findall(r'(?:cx|x)="([\d.-]+)"|[MH]([\d.-]+)', drawn)[0] if x]
    at += [float(a or b) for a, b in re.findall(r' (?:cx|x)="([\d.-]+)"|[MH]([\d.-]+)', drawn)]
    assert min(at) >= 0.0
    assert max(at) <= WIDTH


def test_what_was_never_read_is_not_drawn() -> None:
    assert svg(Line("Caster", "RF", "deg"), 0) == ""
    assert "not read" in html(replace(PAGE, sections=(Section("Front", (TOE,)),)))


def test_words_of_the_user_cannot_break_the_page() -> None:
    text = html(PAGE)
    assert "Marsh &lt;hare&gt; &amp; co" in text
    assert "<hare>" not in text


def test_nothing_is_asked_of_the_network() -> None:
    text = html(PAGE)
    for found in re.findall(r'(?:src|href|action)\s*=\s*"([^"]*)"|url\(([^)]*)\)', text):
        assert "".join(found).startswith(("data:", "#"))
    assert not re.findall(r"<(?:script|link|iframe|object|embed)\b|@import", text)


@pytest.mark.parametrize("width", [360, 1280])
def test_the_browser_shows_all_without_scrolling_sideways(width: int, tmp_path: Path) -> None:
    seen = browser.ask(html(PAGE), browser.LAYOUT_SCRIPT, tmp_path, width)
    assert seen["wanted"] <= seen["width"]
    assert [name for name in seen["fetched"] if not name.startswith("data:")] == []


@pytest.mark.parametrize("width", [360, 1280])
def test_contrast_labels_and_structure_pass_axe(width: int, tmp_path: Path) -> None:
    assert browser.violations(html(PAGE), tmp_path, width) == []


def test_axe_sees_what_is_wrong(tmp_path: Path) -> None:
    pale = html(PAGE).replace("color: #333", "color: #bbb")
    assert "color-contrast" in [found[0] for found in browser.violations(pale, tmp_path)]


def test_it_prints(tmp_path: Path) -> None:
    assert browser.printed(html(PAGE), tmp_path).startswith(b"%PDF-")
