"""What a job makes of typed figures: units of the car file; every figure and advice by pencil."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli.typed_jobs import (
    CAR,
    Typed,
    status,
)
from knuckle.model.result import Quantity


def test_what_is_shown_and_typed_without_a_unit_is_in_that_of_the_car_file(
    typed: Typed, tmp_path: Path
) -> None:
    inches = CAR.replace("ballast_kg = 75", "ballast_lb = 165").replace(
        "pressure_bar = 1.9\n", "pressure_bar = 1.9\nride_height_in = 14\n"
    )
    inches = inches.replace("pressure_bar = 1.8\n", "pressure_bar = 1.8\nride_height_in = 14.25\n")
    (tmp_path / "inches.toml").write_text(inches.replace("Plover", "Inches"))
    lines = "1.9 1.9 1.9 1.8\n-5\n170\n\n14 14 14 14.5\n\n\n\nq\n"
    code, out, err = typed(lines, "align", "inches")
    assert code == 0, err
    said = " ".join(out.split())
    for words in (
        "[1.9 1.9 1.8 1.8 bar]",
        "in bar: LR 1.9 (car file 1.8)",
        "[165 lb]",
        "'-5' is no ballast",
        "[14 14 14.25 14.25 in]",
    ):
        assert words in said, words
    answers = status(typed, "inches")["answers"]
    assert answers["pressures"]["values"]["LR"] == pytest.approx(190.0)
    assert answers["ballast"]["values"]["kg"] == pytest.approx(170 * 0.45359237)
    assert answers["ride_heights"]["values"]["RR"] == pytest.approx(14.5 * 25.4)
    code, _, err = typed("", "report", "inches")
    page = (tmp_path / "job-1.html").read_text(encoding="utf-8")
    assert code == 0 and "LR 1.9 bar" in page and "RR 14.5 in" in page and "170 lb" in page, err


PENCIL = """name = "Wren"
wheelbase_mm = 2500
track_front_mm = 1500
track_rear_mm = 1480
rim_mm = 400

[front]
toe_link = { pitch_mm = 1.5, thread = "single", arm_mm = 118, side = "ahead" }
camber_shim = { lever_mm = 245, place = "lower" }
caster = { pitch_mm = 1.75, lever_mm = 330, joint = "lower" }

[front.targets]
camber_deg = { aim = -1.5, within = 0.25 }
caster_deg = { aim = 6.5, within = 0.5 }
total_toe_mm = { aim = 6, within = 0.5 }

[RF]
toe_link = { pitch_mm = 1.5, thread = "single", arm_mm = 118, side = "behind" }
camber_shim = { lever_mm = 245, place = "upper" }
caster = { pitch_mm = 1.75, lever_mm = 330, joint = "upper" }

[LR]
toe_link = { pitch_mm = 1.5, thread = "sleeve", arm_mm = 118, side = "behind" }

[RR]
toe_link = { pitch_mm = 1.5, thread = "single", arm_mm = 118, side = "ahead" }

[rear.targets]
toe_deg = { aim = 0.1, within = 0.05 }
"""


def test_a_job_by_pencil_and_its_advice_at_all_four_wheels(typed: Typed, tmp_path: Path) -> None:
    """Pads and strings of docs/alignment-theory.md, sections 2 and 3; the rest by calculator."""
    (tmp_path / "wren.toml").write_text(PENCIL)
    toes = (("LF", "62/60"), ("RF", "61/60"), ("LR", "64/60"), ("RR", "60/63"))
    lines = (
        *[""] * 7,  # the checklist
        *("12 4 9 0", "", "n"),
        *("152 148 160 158", "", "1500/0.001 1480/0.001", "n"),
        *("camber LF -1.5/0.05", "camber RF -1.8/0.05"),
        *("caster LF 5/0.05", "caster RF 5/0.05", "sai LF 12.3/0.05", "sai RF 12.1/0.05"),
        *(f"toe {wheel} {pair}{half}" for wheel, pair in toes for half in ("", " half")),
        *("done", "q"),
    )
    code, out, err = typed("\n".join(lines) + "\n", "align", "wren")
    assert code == 0, out + err
    found = status(typed, "wren")
    figures = {
        f"{row['place']} {row['quantity']}": row["rounds"][-1]["value"] for row in found["figures"]
    }
    # Left pads 8 mm higher in front: atan(8/1500) to left camber, from right camber.
    assert figures["LF camber"] == pytest.approx(-1.1944, abs=2e-4)
    assert figures["RF camber"] == pytest.approx(-2.1056, abs=2e-4)
    assert figures["front cross_camber"] == pytest.approx(0.9112, abs=3e-4)
    # Against the car: asin(2/400) - 0.0458, asin(1/400), asin(4/400) - 0.0458, asin(-3/400).
    left, right, left_rear, right_rear = 0.2407, 0.1432, 0.5271, -0.4297
    thrust = (right_rear - left_rear) / 2.0  # -0.4784: to the right
    assert figures[f"rear {Quantity.THRUST.value}"] == pytest.approx(thrust, abs=2e-4)
    assert figures["LF toe"] == pytest.approx(left + thrust, abs=2e-4)
    assert figures["RF toe"] == pytest.approx(right - thrust, abs=2e-4)
    total = next(
        r for r in found["figures"] if (r["place"], r["quantity"]) == ("front", "total_toe")
    )
    # 400 mm x 2 sin(0.3839 / 2 deg).
    assert total["rounds"][-1]["mm"] == pytest.approx(2.680, abs=2e-3)
    amounts = {
        (each["wheel"], each["adjuster"]): each["amount"] and each["amount"][0]
        for each in found["advice"]
    }
    # Longer, added and rearward are positive.
    # LR: -0.4271 deg behind on a sleeve of 3 mm a turn: shorter by 118 sin(0.4271) / 3.
    assert amounts["LR", "toe link"] == pytest.approx(-0.2932, abs=1e-3)
    # RR: +0.5297 deg ahead of the axle: shorter by 118 sin(0.5297) / 1.5.
    assert amounts["RR", "toe link"] == pytest.approx(-0.7272, abs=1e-3)
    # Then the car goes straight: front wheels 0.2407 and 0.1432, aim asin(3/400) = 0.4297 each.
    # LF: +0.1890 ahead: shorter. RF: +0.2865 behind: longer.
    assert amounts["LF", "toe link"] == pytest.approx(-0.2595, abs=2e-3)
    assert amounts["RF", "toe link"] == pytest.approx(0.3933, abs=2e-3)
    # LF: -0.3056 by the lower arm, whose shims push the bottom outboard: add 245 sin(0.3056).
    assert amounts["LF", "camber shim"] == pytest.approx(1.307, abs=2e-3)
    # RF: +0.6056 by the upper arm: add.
    assert amounts["RF", "camber shim"] == pytest.approx(2.589, abs=2e-3)
    # Caster 4.9198, aim 6.5: the lower joint forward, the upper one rearward.
    assert amounts["LF", "caster adjuster"] == pytest.approx(-5.200, abs=2e-3)
    assert amounts["RF", "caster adjuster"] == pytest.approx(5.200, abs=2e-3)
    assert [(each["wheel"], each["adjuster"]) for each in found["advice"]] == [
        ("LR", "toe link"),
        ("RR", "toe link"),
        ("LF", "caster adjuster"),
        ("RF", "caster adjuster"),
        ("LF", "camber shim"),
        ("RF", "camber shim"),
        ("LF", "toe link"),
        ("RF", "toe link"),
    ]
