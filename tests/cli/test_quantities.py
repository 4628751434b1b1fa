"""Numbers as typed. No outside source: plain arithmetic (an inch is 25.4 mm by definition)."""

from __future__ import annotations

import pytest

from knuckle.errors import UsageError
from knuckle.quantities import (
    TypedNumber,
    angle_deg,
    duration_s,
    length_mm,
    mass_kg,
    one_or_two,
    percentage,
    plain_number,
    pressure_kpa,
    read_number,
)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("1.5", 1.5, ""),
        ("1,5", 1.5, ""),
        ("-1,25 deg", -1.25, "deg"),
        ("\N{MINUS SIGN}2°", -2.0, "deg"),
        ("+.5", 0.5, ""),
        ("5.", 5.0, ""),
        ("0,234", 0.234, ""),
        ("1.234", 1.234, ""),
        ("1234,567", 1234.567, ""),
        ("1,2345", 1.2345, ""),
        ("12'", 12.0, "min"),
        ("12 min", 12.0, "min"),
        ("3mm", 3.0, "mm"),
        ('0.5"', 0.5, "in"),
        ("0.5 in", 0.5, "in"),
        ("2,5s", 2.5, "s"),
        ("3 %", 3.0, "%"),
        ("1e-05", 1e-05, ""),
        (" 7 ", 7.0, ""),
        ("190 kPa", 190.0, "kPa"),
        ("1,9bar", 1.9, "bar"),
        ("28 psi", 28.0, "psi"),
        ("75kg", 75.0, "kg"),
        ("165lb", 165.0, "lb"),
    ],
)
def test_number_and_unit(text: str, value: float, unit: str) -> None:
    assert read_number(text) == TypedNumber(value, unit)


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("1,234", "','"),
        ("-12,345", "','"),
        ("1.234,5", "'.' and ','"),
        ("1,234.5", "',' and '.'"),
        ("1.2.3", "'.'"),
        ("1o.5", "letter 'o' (not the digit zero)"),
        ("l.5", "letter 'l' (not the digit one)"),
        ("1 000", "a space"),
        ("1.5x", "'x'"),
        ("1.5 degs", "'degs'"),
        ("5 ft", "'ft'"),
        ("abc", "'a'"),
        ("--1", "signs and digits"),
        ("1-2", "signs and digits"),
        (".", "signs and digits"),
        ("nan", "'n'"),
        ("inf", "'i'"),
        ("1e999", "too large"),
        ("", "empty"),
        ("   ", "empty"),
        ("٣", "'٣'"),
        ("１.5", "'１'"),
        ("0x1F", "'x'"),
        ("1_000", "'_'"),
    ],
)
def test_refused_and_the_character_named(text: str, named: str) -> None:
    with pytest.raises(UsageError) as caught:
        read_number(text)
    assert named in caught.value.what
    assert caught.value.next_step


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("20", 20.0),
        ("20°", 20.0),
        ("30'", 0.5),
        ("1°30'", 1.5),
        ("-1° 30 min", -1.5),
        ("\N{MINUS SIGN}1°30\N{PRIME}", -1.5),
        ("0deg45'", 0.75),
    ],
)
def test_angles(text: str, degrees: float) -> None:
    assert angle_deg(text) == degrees


@pytest.mark.parametrize("text", ["3mm", "1°70'", "1°-5'", "1°30", "2s"])
def test_no_angles(text: str) -> None:
    with pytest.raises(UsageError):
        angle_deg(text)


def test_other_units() -> None:
    assert length_mm("3") == 3.0
    assert length_mm("2in") == 50.8
    assert duration_s("1,5 s") == 1.5
    assert percentage("3%") == 3.0
    assert plain_number("4") == 4.0
    with pytest.raises(UsageError, match="'deg', where millimetres are needed"):
        length_mm("3 deg")
    with pytest.raises(UsageError, match="'%', where plain numbers"):
        plain_number("3%")


def test_a_comma_behind_a_unit_is_no_decimal_comma() -> None:
    with pytest.raises(UsageError) as lone:
        one_or_two("350,5", length_mm)
    assert "350/5 for two numbers, 350.5 for one" in str(lone.value)
    with pytest.raises(UsageError) as behind_a_unit:
        one_or_two("350mm,5", length_mm)
    assert "Write 350mm/5 for two numbers." in str(behind_a_unit.value)


@pytest.mark.parametrize(
    ("text", "pair"),
    [
        ("20", (20.0, None)),
        ("0.1,0.05", (0.1, 0.05)),
        ("0,0.3", (0.0, 0.3)),
        ("0,1;0,05", (0.1, 0.05)),
        ("0.1 ± 0.05", (0.1, 0.05)),
        ("0.1 +/- 0.05", (0.1, 0.05)),
        ("20, 18", (20.0, 18.0)),
        ("20°/18°", (20.0, 18.0)),
        ("-0.2,0.1", (-0.2, 0.1)),
    ],
)
def test_one_or_two(text: str, pair: tuple[float, float | None]) -> None:
    assert one_or_two(text, angle_deg) == pair


@pytest.mark.parametrize("text", ["0,3", "20,18", "1;2;3", "0,1,0,05", ";", "1;"])
def test_one_or_two_refused(text: str) -> None:
    with pytest.raises(UsageError):
        one_or_two(text, angle_deg)


def test_pressures_and_masses() -> None:
    assert pressure_kpa("190") == pressure_kpa("1.9bar") == 190.0
    # NIST SP 811, appendix B.8: 1 psi is 6.894 757 kPa, 1 lb is 0.453 592 37 kg exactly.
    assert pressure_kpa("1psi") == pytest.approx(6.894757, abs=5e-7)
    assert mass_kg("1lb") == 0.45359237 and mass_kg("75") == 75.0
    for read in (pressure_kpa, mass_kg):
        with pytest.raises(UsageError, match="needed"):
            read("3mm")
