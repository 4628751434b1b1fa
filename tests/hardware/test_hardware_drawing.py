"""The diagrams show what the wiring says: followed line by line as geometry, and as SVG."""

from __future__ import annotations

import itertools
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from hardware.plans import with_wire
from podplan.casing import pictures
from podplan.errors import PlanError
from podplan.layout import RAILS, Layout, Line, is_on_board, lay_out, read_columns
from podplan.making import diagrams
from podplan.plan import HARDWARE, Pod, read_plan
from podplan.variants import VARIANTS

LAYOUT = HARDWARE / "layout.toml"
PLAN = read_plan()
SVG = "{http://www.w3.org/2000/svg}"
UNIT = 36.0
"""Points of a diagram's unit: two of schemdraw's units of 18."""

Box = tuple[float, float, float, float]


def laid(variant: str) -> tuple[Pod, Layout]:
    pod = PLAN.pod(variant)
    return pod, lay_out(pod, read_columns(LAYOUT)[variant], LAYOUT)


def touches(line: Line, point: tuple[float, float]) -> bool:
    (x0, y0), (x1, y1) = sorted((line.start, line.end))
    x, y = point
    return min(x0, x1) <= x <= max(x0, x1) and min(y0, y1) <= y <= max(y0, y1)


def meet(first: Line, second: Line) -> bool:
    """Whether one ends on the other; lines that cross do not meet."""
    return any(touches(second, end) for end in (first.start, first.end)) or any(
        touches(first, end) for end in (second.start, second.end)
    )


@pytest.mark.parametrize("variant", VARIANTS)
def test_following_the_lines_gives_the_nets(variant: str) -> None:
    pod, layout = laid(variant)
    pins = [pin for box in layout.boxes for pin in box.pins]
    for net, ends in pod.nets().items():
        shown = {pin.end for pin in pins if pin.net == net}
        drawn_ends = {
            end for end in ends if (t := pod.terminal(end)) is not None and t.side != "none"
        }
        assert shown == drawn_ends
        if net in RAILS:
            assert {pin.end for pin in layout.signs if pin.net == net} == shown
            continue
        if is_on_board(pod, net):
            continue
        # walk from one terminal along touching lines, by geometry alone
        start = next(pin for pin in pins if pin.net == net)
        reached = [line for line in layout.lines if touches(line, start.at)]
        for line in reached:  # it grows while it is walked
            reached += [
                other for other in layout.lines if meet(line, other) and other not in reached
            ]
        there = {pin.end for pin in pins for line in reached if touches(line, pin.at)}
        assert there == shown, net


@pytest.mark.parametrize("variant", VARIANTS)
def test_lines_of_two_nets_only_cross(variant: str) -> None:
    _, layout = laid(variant)
    for first, second in itertools.combinations(layout.lines, 2):
        if first.net == second.net:
            continue
        for end in (first.start, first.end):
            assert not touches(second, end), (first, second)
        for end in (second.start, second.end):
            assert not touches(first, end), (first, second)


@pytest.mark.parametrize("variant", VARIANTS)
def test_lines_run_past_parts_and_signs(variant: str) -> None:
    _, layout = laid(variant)
    for line in layout.lines:
        (x0, x1), (y0, y1) = (
            sorted((line.start[0], line.end[0])),
            sorted((line.start[1], line.end[1])),
        )
        for box in layout.boxes:
            apart = x1 <= box.low[0] or x0 >= box.high[0] or y1 < box.low[1] or y0 > box.high[1]
            assert apart, f"{line} runs through {box.label}"
        for pin in layout.signs:
            reach = pin.at[0] + (2.6 if pin.side == "right" else -2.6)
            left, right = sorted((pin.at[0], reach))
            clear = x1 < left or x0 > right or not y0 - 0.3 < pin.at[1] < y1 + 0.3
            assert clear, f"{line} runs through the sign at {pin.end}"


def text_boxes(svg: str) -> list[tuple[str, Box]]:
    """Return each text with the room that it takes, letters taken to be wide."""
    boxes = []
    for text in ElementTree.fromstring(svg).iter(f"{SVG}text"):
        words = "".join(text.itertext()).strip()
        size = float(text.attrib["font-size"])
        x, y = float(text.attrib["x"]), float(text.attrib["y"])
        width = 0.62 * size * len(words)
        left = {"start": x, "middle": x - width / 2, "end": x - width}[text.attrib["text-anchor"]]
        boxes.append((words, (left, y - size / 2, left + width, y + size / 2)))
    return boxes


@pytest.mark.parametrize("name", [*VARIANTS, "axes", "seat", "wheel"])
def test_no_text_lies_on_another_or_outside(name: str) -> None:
    svg = (HARDWARE / "diagrams" / f"{name}.svg").read_text(encoding="utf-8")
    boxes = text_boxes(svg)
    assert len(boxes) > 5
    for (first, a), (second, b) in itertools.combinations(boxes, 2):
        apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
        assert apart, f"{first!r} lies on {second!r}"
    x, y, width, height = map(float, ElementTree.fromstring(svg).attrib["viewBox"].split())
    for words, box in boxes:
        assert x <= box[0] and box[2] <= x + width, f"{words!r} is cut off"
        assert y <= box[1] and box[3] <= y + height, f"{words!r} is cut off"


@pytest.mark.parametrize("variant", VARIANTS)
def test_no_line_runs_through_a_text(variant: str) -> None:
    pod, layout = laid(variant)
    svg = (HARDWARE / "diagrams" / f"{variant}.svg").read_text(encoding="utf-8")
    names = [f"{net.replace('_', ' ')} ({pod.colour_of()[net]})" for net, *_ in layout.names]
    for words, (left, top, right, bottom) in text_boxes(svg):
        for line in layout.lines:
            xs = sorted((line.start[0] * UNIT, line.end[0] * UNIT))
            ys = sorted((-line.start[1] * UNIT, -line.end[1] * UNIT))
            apart = xs[1] <= left or xs[0] >= right or ys[1] <= top or ys[0] >= bottom
            assert apart, f"{line} runs through {words!r}"
    texts = [words for words, _ in text_boxes(svg)]
    assert set(names) <= set(texts)


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_picture_names_every_part_and_terminal(variant: str) -> None:
    pod, layout = laid(variant)
    svg = (HARDWARE / "diagrams" / f"{variant}.svg").read_text(encoding="utf-8")
    texts = [words for words, _ in text_boxes(svg)]
    for label in pod.by_label:
        assert any(re.match(rf"{label}\b", words) for words in texts), label
    for box in layout.boxes:
        if box.label.startswith(("U", "RV", "BT", "Q")):
            for pin in box.pins:
                wanted = pin.name.replace("_", " / ")
                assert any(words.split("  ")[-1].endswith(wanted) for words in texts), pin.end
    colours = set(re.findall(r"stroke:(#[0-9a-f]{6})", svg))
    assert len(colours) > 6, "the wires are drawn in their colours"


def test_diagrams_and_pictures_are_up_to_date() -> None:
    made = diagrams(PLAN)
    made |= {HARDWARE / "diagrams" / f"{name}.svg": svg for name, svg in pictures().items()}
    for path, svg in made.items():
        assert path.read_text(encoding="utf-8") == svg, "run: python hardware/make_pages.py"
    there = {path.name for path in (HARDWARE / "diagrams").iterdir()}
    assert there == {path.name for path in made}


def test_a_layout_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    columns = read_columns(LAYOUT)["usb"]
    pod = PLAN.pod("usb")
    with pytest.raises(PlanError, match="S1"):
        lay_out(pod, [columns[0], [x for x in columns[1] if x != "S1"], columns[2]], LAYOUT)
    with pytest.raises(PlanError, match="placed twice"):
        lay_out(pod, [[*columns[0], "U1"], *columns[1:]], LAYOUT)
    with pytest.raises(PlanError, match="between two columns"):
        lay_out(pod, [columns[0], columns[2], columns[1]], LAYOUT)
    with pytest.raises(PlanError, match="cannot be read"):
        read_columns(tmp_path / "none.toml")
    path = tmp_path / "layout.toml"
    path.write_text("[usb]\nrows = []\n", encoding="utf-8")
    with pytest.raises(PlanError, match="cannot be read"):
        read_columns(path)


def test_a_wire_added_changes_the_picture() -> None:
    pod = with_wire("U1.D4", "U3.HV3", "BUTTON").pod("usb")
    _, before = laid("usb")
    after = lay_out(pod, read_columns(LAYOUT)["usb"], LAYOUT)
    assert len(after.lines) == len(before.lines) + 1
    assert ("BUTTON" in {net for net, _ in after.dots}) and len(after.dots) == len(before.dots) + 1
