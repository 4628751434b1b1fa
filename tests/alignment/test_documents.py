"""The alignment's codes and quantities are those of docs/results.md."""

from __future__ import annotations

import re
from pathlib import Path

from knuckle.alignment.adjusters import TURNED
from knuckle.alignment.pair import CROSS
from knuckle.alignment.travel import SLOPE
from knuckle.model.result import Quantity

TOP = Path(__file__).resolve().parents[2]
MEASURED = ("travel.py", "pair_outcome.py")
"""Measurements of the alignment as they happen, in `host/knuckle/run`."""
SECTION = (
    (TOP / "docs" / "results.md")
    .read_text(encoding="utf-8")
    .partition("\n## Alignment\n")[2]
    .partition("\n## ")[0]
)


def test_codes_are_those_of_the_document() -> None:
    host = TOP / "host" / "knuckle"
    files = [*(host / "alignment").glob("*.py"), *(host / "run" / name for name in MEASURED)]
    source = "".join(path.read_text(encoding="utf-8") for path in files)
    raised = set(re.findall(r'(?:Refused|Notice)\(\s*"([A-Z][A-Z_]+)"', source))
    listed = set(re.findall(r"^\| `([A-Z][A-Z_]+)` \|", SECTION, flags=re.MULTILINE))
    assert len(raised) > 8
    assert raised == listed


def test_quantities_are_in_the_document() -> None:
    figures = {*CROSS.values(), *SLOPE.values(), Quantity.TOTAL_TOE, Quantity.THRUST}
    figures |= {Quantity.FRONT_HEADING, Quantity.INCLUDED, Quantity.SETBACK}
    figures |= {Quantity.TURN_OUT_LEFT, Quantity.TURN_OUT_RIGHT, Quantity.WHEELBASE_DIFFERENCE}
    listed = set(re.findall(r"`([a-z_]+)`", SECTION))
    assert {figure.value for figure in figures} <= listed
    assert not {figure.value for figure in TURNED.values()} & listed
