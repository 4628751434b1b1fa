"""How long a cell lasts: the sums, and what they stand on."""

from __future__ import annotations

from pathlib import Path

import pytest

from podplan.errors import PlanError
from podplan.plan import HARDWARE, read_plan
from podplan.runtime import COLUMNS, EXPECTED, WORST, Store, hours, read_consumers

PLAN = read_plan()


def test_hours_are_those_of_paper() -> None:
    # 800 mAh x 0.85 x 3.7 V = 2516 mWh; x 0.85 = 2138.6; over 5 V x 33 mA = 165 mW: 12.96 h
    assert hours(800.0, 33.0, EXPECTED) == pytest.approx(12.96, abs=0.01)
    # all of a cell's energy at its own voltage, no converter
    assert hours(1000.0, 100.0, Store(1.0, 1.0)) == pytest.approx(7.4)
    assert hours(800.0, 33.0, WORST) < hours(800.0, 33.0, EXPECTED)


def test_everything_that_is_supplied_is_counted() -> None:
    rows = read_consumers(PLAN, "battery")
    supplied = {
        part.key
        for part in PLAN.pod("battery").by_label.values()
        if any(t.kind == "power_in" for t in PLAN.terminals[part.key].values())
    }
    assert supplied <= {row.key for row in rows}


def test_the_divider_takes_what_it_takes() -> None:
    (row,) = (row for row in read_consumers(PLAN, "battery") if "divider" in row.what)
    assert row.typical_ma == pytest.approx(1e3 * 5.0 / (4700 + 6800), abs=0.05)


def test_the_page_says_that_it_is_reckoned() -> None:
    page = (HARDWARE / "assembly" / "10-battery-and-bluetooth.md").read_text(encoding="utf-8")
    assert "**not measured**" in page.split("## How long a charge lasts")[1]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("caliper,itself,1,2,x", "the pod 'battery' has no caliper"),
        ("mpu6050,itself,2,1,x", "high_ma no less"),
        ("mpu6050,itself,0,1,x", "above 0"),
        ("mpu6050,itself,,1,x", "above 0"),
        ("mpu6050,itself,nan,1,x", "not a number"),
    ],
)
def test_a_bad_line_is_named(line: str, says: str, tmp_path: Path) -> None:
    path = tmp_path / "currents.csv"
    path.write_text(",".join(COLUMNS) + "\n" + line + "\n", encoding="utf-8")
    with pytest.raises(PlanError, match=says) as told:
        read_consumers(PLAN, "battery", path)
    assert "currents.csv, line 2" in str(told.value)
