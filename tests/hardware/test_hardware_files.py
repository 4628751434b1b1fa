"""The plan's files as they are, and what the readers say of broken ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from hardware.plans import edited
from podplan.errors import PlanError
from podplan.pins import read_pins
from podplan.plan import HARDWARE, PINS, read_plan
from podplan.variants import VARIANTS


def test_every_variant_has_a_whole_bill() -> None:
    plan = read_plan()
    for variant in VARIANTS:
        keys = {part.key for part in plan.pod(variant).parts}
        assert {"mpu6050", "level-shifter", "case", "tether"} <= keys
        assert ("cell" in keys) == ("charger-boost" in keys) == (variant == "battery")
        assert ("board-usb" in keys) != ("board-bare" in keys)


def test_each_variant_has_what_it_is_named_for() -> None:
    plan = read_plan()
    for variant, key in (
        ("adxl355", "adxl355"),
        ("potentiometer", "potentiometer"),
        ("caliper", "caliper"),
        ("battery", "bluetooth"),
    ):
        with_it = [name for name in VARIANTS if key in {p.key for p in plan.pod(name).parts}]
        assert with_it == [variant]


@pytest.mark.parametrize(
    ("name", "old", "new", "says"),
    [
        ("parts.csv", "key,name", "name,key", "head must be"),
        ("parts.csv", ",0.15,EUR,2026-11\n", ",0.15,EUR\n", "12 cells in place of 13"),
        ("parts.csv", "board-usb,", "Board USB,", "is no key"),
        ("parts.csv", ",R1 R2,2,", ",R1 R2,3,", "3 pieces, but 2 labels"),
        ("parts.csv", ",R1 R2,2,", ",R1 R1,2,", "names something twice"),
        ("parts.csv", ",R1 R2,2,", ",R1 R3,2,", "the label R3 is taken|the label R1"),
        ("parts.csv", ",BZ1,1,all", ",BZ1,0,all", "quantity is '0'"),
        ("parts.csv", ",BZ1,1,all", ",bz1,1,all", "'bz1' is no label"),
        ("parts.csv", ",BZ1,1,all", ",BZ1,1,some", "variants must be"),
        ("parts.csv", ",BZ1,1,all,06", ",BZ1,1,all,6", "page is '6'"),
        ("parts.csv", "4700,ohm", "4700,Ohm", "unit is 'Ohm'"),
        ("parts.csv", "4700,ohm", ",ohm", "value and unit go together"),
        ("parts.csv", "4700,ohm", "nan,ohm", "value is 'nan'"),
        ("parts.csv", "want it,0.50,EUR", "want it,-1,EUR", "cost_each is '-1'"),
        ("parts.csv", "want it,0.50,EUR", "want it,,EUR", "cost_each is empty"),
        ("parts.csv", "want it,0.50,EUR", "want it,0.50,USD", "cannot be added"),
        ("parts.csv", "want it,0.50,EUR", "want it,0.50,eur", "currency is 'eur'"),
        ("parts.csv", "want it,0.50,EUR,2026-11", "want it,0.50,EUR,2026", "priced_on is '2026'"),
        ("parts.csv", "marks zero in the live view", "", "purpose is empty"),
        ("parts.csv", "C4,1,adxl355,07,", 'C4,1,adxl355,07,x",', "line"),
        ("terminals.csv", "buzzer,b,", "buzzer,a,", "comes twice"),
        ("terminals.csv", "board-usb,D1,out,right,5.0", "board-usb,D1,out,right,", "must state"),
        ("terminals.csv", "board-usb,D1,out", "board-usb,D1,output", "kind is 'output'"),
        ("terminals.csv", "buzzer,b,passive,right", "buzzer,b,passive,up", "side is 'up'"),
        ("wiring.csv", "U1.D6,R3.a", "U1 D6,R3.a", "not LABEL.terminal"),
        ("wiring.csv", "BUZZER,violet", "BUZZER,pink", "colour is 'pink'"),
        ("wiring.csv", "all,06,tone", "all,06,", "why is empty"),
        ("wiring.csv", "all,06,tone", "all,six,tone", "page is 'six'"),
    ],
)
def test_a_broken_line_is_named(tmp_path: Path, name: str, old: str, new: str, says: str) -> None:
    path = edited(tmp_path, name, old, new)
    with pytest.raises(PlanError, match=says) as caught:
        read_plan(tmp_path)
    assert path.name in str(caught.value)


def test_two_lines_of_one_part_must_agree(tmp_path: Path) -> None:
    text = (HARDWARE / "parts.csv").read_text(encoding="utf-8")
    last = next(line for line in text.splitlines() if ",C4," in line)
    edited(tmp_path, "parts.csv", last, last.replace("0.10,EUR", "0.20,EUR"))
    with pytest.raises(PlanError, match="cost_each of capacitor-100n is another than in line"):
        read_plan(tmp_path)


def test_a_missing_file_is_an_error_in_words(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="cannot be read"):
        read_plan(tmp_path)


def test_pins_are_read_from_the_firmwares_header() -> None:
    pins = {pin.label: pin for pin in read_pins(PINS)}
    # ATmega328P data sheet, pin configurations (from memory): PC4 is SDA, PC5 SCL, PD0 RXD, PD1
    # TXD, PD2 INT0, PD6 OC0A, PC0 ADC0. The board's labels D0 to D7 are port D, A0 to A5 port C,
    # D13 is PB5, common practice, no source.
    assert {label: pins[label].port for label in pins} == {
        "D0": "PD0",
        "D1": "PD1",
        "D2": "PD2",
        "D3": "PD3",
        "D4": "PD4",
        "D6": "PD6",
        "D13": "PB5",
        "A0": "PC0",
        "A4": "PC4",
        "A5": "PC5",
    }


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("KN_PIN(BUTTON, D, 4,", "KN_PIN(BUTTON, D, 9,", "cannot be read"),
        ("KN_PIN(BUTTON, D, 4,", "KN_PIN(BUTTON, D, 3,", "port comes twice"),
        ('"D4", in', '"D3", in', "label comes twice"),
        ("KN_PIN(BUTTON", "KN_PIN(BUZZER", "name comes twice"),
        ('"D4", in', '"D4", input', "direction input"),
        ("#define KN_PINS(", "#define PINS(", "cannot be read"),
    ],
)
def test_a_header_that_cannot_be_read_is_refused(
    tmp_path: Path, old: str, new: str, says: str
) -> None:
    text = PINS.read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "pins.h"
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(PlanError, match=says):
        read_pins(path)
