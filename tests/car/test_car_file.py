"""Car files. No outside source: plain arithmetic; an inch is 25.4 mm, a pound 0.45359237 kg."""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from knuckle.car.file import check_car, path_of, read_car, write_new
from knuckle.car.keys import ADJUSTERS, AXLE_TARGETS, CAR, CORNER, CORNER_TARGETS, Number
from knuckle.car.reading import car_of
from knuckle.car.words import car_lines
from knuckle.car.writing import document_of, text_of
from knuckle.errors import UsageError
from knuckle.model.car import (
    CamberShim,
    Car,
    CasterAdjuster,
    Corner,
    ShimPlace,
    Side,
    Target,
    Thread,
    ToeLink,
)
from knuckle.model.wheel import Wheel

DOCUMENT = (Path(__file__).parents[2] / "docs" / "car-file.md").read_text(encoding="utf-8")
EXAMPLE = DOCUMENT.partition("```toml\n")[2].partition("```")[0]
LEAST = """name = "Wren"
wheelbase_mm = 2340
track_front_mm = 1405
track_rear_mm = 1420
rim_mm = 430
"""


def problems_of(text: str) -> list[str]:
    _, found = car_of(tomllib.loads(text))
    return [f"{problem.place}: {problem.what} {problem.next_step}" for problem in found]


def car_from(text: str) -> Car:
    car, found = car_of(tomllib.loads(text))
    assert found == []
    assert car is not None
    return car


def test_example_of_the_document():
    car = car_from(EXAMPLE)
    left, right = car.corners[Wheel.LF], car.corners[Wheel.RF]
    assert car.name == "Plover 1.6" and car.extra_ballast_kg == 75.0 and car.fuel == "half a tank"
    assert left.pressure_kpa == 190.0 and left.ballast_kg == 10.0 and right.ballast_kg is None
    assert left.toe_link == ToeLink(1.5, Thread.SINGLE, 118.0, Side.BEHIND)
    assert left.camber_shim == CamberShim(245.0, ShimPlace.UPPER, (0.5, 1.0, 2.0, 4.0))
    assert left.caster == CasterAdjuster(1.75, 330.0, upper=False)
    assert left.targets["camber"] == Target(-1.5, -1.75, -1.25)
    assert right.targets["camber"] == Target(-1.4, -1.65, -1.15)
    assert right.targets["caster"] == left.targets["caster"] == Target(5.0, 4.5, 6.0)
    assert left.targets["toe"] == Target(3 / 60, 0.0, 6 / 60)
    assert car.corners[Wheel.LR].caster is None
    assert set(car.axle_targets) == {
        ("front", "cross_camber"),
        ("front", "cross_caster"),
        ("rear", "total_toe"),
        ("rear", "thrust"),
    }
    # Half of 1.5 mm on each wheel over 430 mm: twice the angle whose sine is 0.75 / 430.
    total = car.axle_targets["rear", "total_toe"]
    assert total.value == pytest.approx(2.0 * math.degrees(math.asin(0.75 / 430.0)), rel=1e-12)


def test_document_names_every_key():
    named = set(re.findall(r"`([a-z_]+)`", DOCUMENT))
    keys = [*CAR, *CORNER, *(key for keys in ADJUSTERS.values() for key in keys)]
    assert {key.name for key in keys} | {*ADJUSTERS, *CORNER_TARGETS, *AXLE_TARGETS} <= named
    for key in keys:
        if isinstance(key, Number) and key.dimension.first == "mm" and not key.many:
            assert f"{key.high:g}" in DOCUMENT


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("wheelbse_mm = 2340", "Did you mean wheelbase_mm?"),
        ("wheelbase = 2340", "Its unit is missing. Write wheelbase_mm or wheelbase_in."),
        ("wheelbase_cm = 234", "'cm' is no unit of a length."),
        ("wheelbase_in = 92.1", "wheelbase is given twice."),
        ("ballast_kg = -3", "-3 is negative."),
        ('ballast_kg = "75"', "'75' is in quotes, where a number is needed."),
        ("ballast_kg = true", "True is no number"),
        ("ballast_kg = nan", "nan is no measure."),
        ("fuel = 3", "3 is no text."),
        ("knuckle_car = 2", "of version 2; this program knows up to 1."),
        ('knuckle_car = "one"', "'one' is no version."),
        ("front = 3", "It is a table."),
        ("[front]\npressure_kpa = 2.1", "20 to 1200 kpa is expected."),
        ("[front]\npressur_kpa = 190", "Did you mean pressure_kpa?"),
        ("[frnt]\npressure_kpa = 190", "Did you mean front?"),
        ("[front]\ntoe_link = { pitch_mm = 1.5 }", "[front.toe_link] arm_mm: It is needed"),
        (
            '[front]\ntoe_link = { pitch_mm = 1.5, thread = "double", arm_mm = 118 }',
            '\'double\' is none of its words. Write "single" or "sleeve".',
        ),
        ("[front]\ntoe_link = 3", "It is a table."),
        ("[front]\ncamber_shim = { lever_mm = 245, sizes_mm = 3 }", "It is a list of numbers."),
        ("[front.targets]\ncamber_deg = -1.5", "A target needs its tolerance."),
        ("[front.targets]\ncamber = { aim = 1, within = 1 }", "Its unit is missing."),
        ("[front.targets]\ncamber_mm = { aim = 1, within = 1 }", "'mm' is no unit of camber."),
        ("[front.targets]\ncambr_deg = { aim = 1, within = 1 }", "Did you mean camber_deg?"),
        ("[front.targets]\ncamber_deg = { low = -1.25, high = -1.75 }", "upside down"),
        ("[front.targets]\ncamber_deg = { aim = 0, within = -0.1 }", "must be above 0"),
        ("[front.targets]\ncamber_deg = { aim = 0 }", "and its tolerance"),
        ("[front.targets]\ncamber_deg = { aim = 3, low = 0, high = 1 }", "lies outside of"),
        ("[front.targets]\ncamber_deg = { aim = 0, withn = 1 }", "Did you mean within?"),
        ("[front.targets]\ncamber_deg = { aim = 90, within = 1 }", "more than 30 deg"),
        ("[front.targets]\ntoe_mm = { aim = 900, within = 1 }", "more than 30 deg"),
        ("[front.targets]\nthrust_deg = { aim = 0, within = 1 }", "There is no such key."),
        ("[LF.targets]\ntotal_toe_deg = { aim = 0, within = 1 }", "There is no such key."),
    ],
)
def test_what_is_wrong_is_named(line: str, said: str):
    found = problems_of(LEAST + line + "\n")
    assert any(said in problem for problem in found), found


@pytest.mark.parametrize("missing", ["name", "wheelbase", "track_front", "track_rear", "rim"])
def test_needed_keys(missing: str):
    text = "".join(line for line in LEAST.splitlines(True) if not line.startswith(missing))
    (found,) = problems_of(text)
    assert found.startswith(missing) and "needed and missing" in found


def test_everything_wrong_is_found_at_once_with_its_line(tmp_path: Path):
    path = tmp_path / "wren.toml"
    path.write_text(
        LEAST + "\n[front]\nridehight_mm = 3\n\n[front.targets]\ncamber_deg = 3\n", encoding="utf-8"
    )
    assert [(line, problem.key) for line, problem in check_car(path)] == [
        (8, "ridehight_mm"),
        (11, "camber_deg"),
    ]
    with pytest.raises(UsageError, match=r"wren.toml, line 8: \[front\] ridehight_mm") as caught:
        read_car(path)
    assert "1 more in this file" in caught.value.cause


def test_least_file_and_what_is_not_known():
    car = car_from(LEAST)
    assert car.corners[Wheel.RR] == Corner()
    assert car.axle_targets == {}


def test_inches_pounds_and_psi():
    car = car_from(
        'name = "w"\nwheelbase_in = 100\ntrack_front_in = 55\ntrack_rear_in = 55\nrim_in = 17\n'
        "ballast_lb = 100\n[front]\npressure_psi = 30\n"
        "[front.targets]\ntoe_in = { aim = 0.0625, within = 0.03125 }\n"
    )
    assert car.wheelbase_mm == pytest.approx(2540.0) and car.rim_mm == pytest.approx(431.8)
    assert car.extra_ballast_kg == pytest.approx(45.359237)
    # 1 psi = 6894.757 Pa: NIST SP 811, appendix B.8.
    assert car.corners[Wheel.LF].pressure_kpa == pytest.approx(30 * 6.894757, rel=1e-6)
    toe = car.corners[Wheel.LF].targets["toe"]
    assert math.sin(math.radians(toe.value)) * 17.0 == pytest.approx(0.0625)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "needed and missing"),
        (b"name = ", "is no TOML"),
        (b"name = 'a'\nname = 'b'", "is no TOML"),
        (b"wheelbase_mm = 2,3", "is no TOML"),
        (b"\xff\xfe\x00", "no text in UTF-8"),
        (b"\x00\x01\x02", "is no TOML"),
        (b"a = " + b"[" * 100_000, "no"),
        (b"#" * (1 << 20) + b"##", "larger than"),
    ],
)
def test_files_that_are_none(tmp_path: Path, data: bytes, said: str):
    path = tmp_path / "wren.toml"
    path.write_bytes(data)
    with pytest.raises(UsageError, match=said):
        read_car(path)


def test_paths(tmp_path: Path):
    assert path_of("wren").name == "wren.toml"
    assert path_of("wren 1.6").name == "wren 1.6.toml"
    assert path_of("wren.TOML").name == "wren.TOML"
    with pytest.raises(UsageError, match="no car file"):
        read_car(tmp_path / "none.toml")
    with pytest.raises(UsageError, match="cannot be read"):
        read_car(tmp_path)


def test_a_mark_of_an_editor_before_the_first_byte(tmp_path: Path):
    path = tmp_path / "wren.toml"
    path.write_bytes(b"\xef\xbb\xbf" + LEAST.replace("\n", "\r\n").encode())
    assert read_car(path).car.name == "Wren"


def test_no_file_is_overwritten(tmp_path: Path):
    path = tmp_path / "wren.toml"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="exists already"):
        write_new(path, document_of(car_from(LEAST)))
    assert path.read_text(encoding="utf-8") == "mine"
    with pytest.raises(UsageError, match="cannot be written"):
        write_new(tmp_path / "nowhere" / "wren.toml", {})


lengths = st.floats(30.0, 900.0)
bands = st.builds(
    lambda low, width, share: Target(low + share * width, low, low + width),
    st.floats(-20.0, 10.0),
    st.floats(0.01, 5.0),
    st.floats(0.1, 0.9),
)
corners = st.builds(
    Corner,
    toe_link=st.none()
    | st.builds(
        ToeLink,
        st.floats(0.2, 9.0),
        st.sampled_from(Thread),
        lengths,
        st.none() | st.sampled_from(Side),
    ),
    camber_shim=st.none()
    | st.builds(
        CamberShim,
        lengths,
        st.none() | st.sampled_from(ShimPlace),
        st.lists(st.floats(0.1, 20.0), max_size=3).map(tuple),
    ),
    caster=st.none()
    | st.builds(CasterAdjuster, st.floats(0.2, 19.0), lengths, st.none() | st.booleans()),
    targets=st.dictionaries(st.sampled_from(list(CORNER_TARGETS.values())), bands),
    pressure_kpa=st.none() | st.floats(20.0, 1000.0),
    ballast_kg=st.none() | st.floats(0.0, 200.0),
    ride_height_mm=st.none() | lengths,
)
names = st.text(st.characters(blacklist_categories=["Cs"]), min_size=1).filter(
    lambda text: text == text.strip()
)
cars = st.builds(
    Car,
    name=names,
    wheelbase_mm=st.floats(500.0, 9000.0),
    track_front_mm=st.floats(300.0, 3000.0),
    track_rear_mm=st.floats(300.0, 3000.0),
    rim_mm=st.floats(80.0, 2000.0),
    corners=st.fixed_dictionaries(dict.fromkeys(Wheel, corners)),
    axle_targets=st.dictionaries(
        st.sampled_from(
            [
                (axle, key)
                for axle in ("front", "rear")
                for key in AXLE_TARGETS.values()
                if (axle, key) != ("front", "thrust")
            ]
        ),
        bands,
    ),
    extra_ballast_kg=st.none() | st.floats(0.0, 500.0),
    fuel=st.just("") | names,
)


@given(cars)
@settings(max_examples=60, deadline=None)
def test_written_and_read_again_it_is_the_same_car(car: Car):
    again, found = car_of(tomllib.loads(text_of(document_of(car))))
    assert found == []
    assert again == car


@given(cars)
@settings(max_examples=20, deadline=None)
def test_words_fit_a_terminal(car: Car):
    lines = car_lines(replace(car, name=car.name[:40], fuel=""))
    assert max(len(line) for line in lines) <= 80
    assert sum("toe link" in line for line in lines) == sum(
        corner.toe_link is not None for corner in car.corners.values()
    )


@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=5) | st.integers(),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from(
                    [
                        "name",
                        "wheelbase_mm",
                        "rim_mm",
                        "front",
                        "LF",
                        "targets",
                        "toe_link",
                        "pitch_mm",
                        "camber_deg",
                        "toe_mm",
                        "aim",
                        "within",
                        "low",
                        "sizes_mm",
                        "camber_shim",
                        "x",
                    ]
                ),
                inner,
                max_size=5,
            )
        ),
        max_leaves=20,
    )
)
@settings(max_examples=100, deadline=None)
def test_no_table_makes_it_fail(content: object):
    car, found = car_of(content if isinstance(content, dict) else {"name": content})
    assert (car is None) == bool(found)


def test_joint_height_may_lie_below_the_lower_joint():
    """It is the one length of a car that may be negative; written and read back."""
    link = 'toe_link = { pitch_mm = 1.5, thread = "single", arm_mm = 118, side = "behind", '
    car = car_from(LEAST + "[front]\n" + link + "joint_height_mm = -25 }\n")
    again = car_from(text_of(document_of(car)))
    for found in (car, again):
        assert found.corners[Wheel.RF].toe_link == ToeLink(
            1.5, Thread.SINGLE, 118.0, Side.BEHIND, -25.0
        )
    said = problems_of(LEAST + "[front]\n" + link + "joint_height_mm = -2500 }\n")
    assert "-600 to 600 mm is expected" in said[0]
    reversed_arm = link.replace("118", "-118").removesuffix(", ") + " }\n"
    assert "negative" in problems_of(LEAST + "[front]\n" + reversed_arm)[0]
