"""The pages keep up with the plan, the firmware and the program."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer.main

from knuckle.cli.app import build
from knuckle.wire.budget import least_averaging
from knuckle.wire.messages import Channel, ChannelKind, Sensor
from podplan.errors import PlanError
from podplan.making import main
from podplan.pages import bill, pages, pin_table, with_tables
from podplan.plan import HARDWARE, read_plan
from podplan.variants import VARIANTS
from podplan.wiring import ON_BOARD

PLAN = read_plan()
PAGES = pages()
ASSEMBLY = sorted((HARDWARE / "assembly").glob("*.md"))


def read(path: Path) -> str:
    return path.read_text(encoding="utf-8")


@pytest.mark.parametrize("path", PAGES, ids=lambda path: str(path.relative_to(HARDWARE)))
def test_tables_are_up_to_date(path: Path) -> None:
    assert with_tables(PLAN, path, read(path)) == read(path), "run: python hardware/make_pages.py"


@pytest.mark.parametrize("path", PAGES, ids=lambda path: str(path.relative_to(HARDWARE)))
def test_links_and_pictures_are_there(path: Path) -> None:
    targets = re.findall(r"\]\(([^)]+)\)", read(path))
    assert targets
    for target in targets:
        place, _, heading = target.partition("#")
        there = path.parent / place if place else path
        assert there.exists(), f"{path.name} points to {target}"
        if heading:
            headings = re.findall(r"^#+ (.*)$", read(there), re.MULTILINE)
            assert heading in {h.lower().replace(" ", "-") for h in headings}


def test_a_page_that_asks_for_what_is_not_there_is_refused() -> None:
    path = HARDWARE / "parts.md"
    for text, says in (
        ("<!-- begin bill usb -->\n", "pairs"),
        ("<!-- begin bill usb -->\n<!-- end bill x -->\n", "pairs"),
        ("<!-- begin bill bicycle -->\n<!-- end bill bicycle -->\n", "nothing for"),
        ("<!-- begin part none -->\n<!-- end part none -->\n", "nothing for"),
        ("<!-- begin song -->\n<!-- end song -->\n", "nothing is called"),
    ):
        with pytest.raises(PlanError, match=says):
            with_tables(PLAN, path, text)


def test_a_stale_table_is_seen() -> None:
    path = HARDWARE / "parts.md"
    stale = read(path).replace("Passive piezo buzzer", "Active piezo buzzer")
    assert stale != read(path)
    assert with_tables(PLAN, path, stale) == read(path)


def test_the_program_finds_nothing_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--check"]) == 0
    assert capsys.readouterr().out == ""


def test_pages_are_numbered_without_a_gap() -> None:
    numbers = [path.name.split("-")[0] for path in ASSEMBLY]
    assert numbers == [f"{number:02d}" for number in range(1, len(ASSEMBLY) + 1)]
    for path in ASSEMBLY:
        assert read(path).startswith(f"# {path.name[:2]} ")
        assert "## Check it" in read(path)


def test_every_part_and_wire_stands_on_the_page_that_it_names() -> None:
    for path in ASSEMBLY:
        number = path.name[:2]
        parts = [part for part in PLAN.parts if part.page == number]
        wires = [wire for wire in PLAN.wires if wire.page == number]
        assert (f"<!-- begin parts {number} -->" in read(path)) == bool(parts)
        assert (f"<!-- begin wires {number} -->" in read(path)) == bool(wires)
    there = {path.name[:2] for path in ASSEMBLY}
    assert {part.page for part in PLAN.parts} <= there
    assert {wire.page for wire in PLAN.wires} <= there


def test_a_wire_joins_only_what_was_built_in_by_then() -> None:
    page_of = {
        (variant, label): part.page
        for part in PLAN.parts
        for variant in part.variants
        for label in part.labels
    }
    for wire in PLAN.wires:
        for variant in wire.variants:
            for end in (wire.start, wire.end):
                built = page_of[variant, end.split(".")[0]]
                assert built <= wire.page, f"{end} is wired on page {wire.page}, before {built}"


def test_every_part_has_its_page_and_no_page_is_left_over() -> None:
    keys = {part.key for part in PLAN.parts}
    assert {path.stem for path in (HARDWARE / "parts").glob("*.md")} == keys
    for key in keys:
        text = read(HARDWARE / "parts" / f"{key}.md")
        assert f"<!-- begin part {key} -->" in text
        assert "## Choosing" in text
        assert "## Check it" in text
        name = next(part.name for part in PLAN.parts if part.key == key)
        assert text.startswith(f"# {name}\n")


def test_the_sum_of_a_bill_is_that_of_paper() -> None:
    for variant in VARIANTS:
        table = bill(PLAN, variant)
        lines = [line for line in table.splitlines() if re.match(r"\| \d", line)]
        total = sum(float(line.split("|")[-2]) for line in lines)
        stated = re.search(r"\*\*(\d+)\*\* \|$", table, re.MULTILINE)
        assert stated is not None
        assert abs(total - int(stated[1])) <= 0.5
        assert len(lines) == len({part.key for part in PLAN.pod(variant).parts})


def test_the_cost_on_the_first_page_is_that_of_the_bill() -> None:
    stated = re.search(r"\(about (\d+) EUR\)", read(HARDWARE.parent / "README.md"))
    total = re.search(r"\*\*(\d+)\*\* \|$", bill(PLAN, "usb"), re.MULTILINE)
    assert stated is not None
    assert total is not None
    assert abs(int(stated[1]) - int(total[1])) <= 5


def test_the_table_of_pins_is_the_firmwares() -> None:
    table = pin_table(PLAN, "")
    for pin in PLAN.pins:
        assert re.search(rf"^\| {pin.label} \| {pin.port} \| `{pin.name}` \|", table, re.MULTILINE)
    assert "| D2 | PD2 | `CALIPER_CLOCK` | input |" in table
    assert table.count("\n") == len(PLAN.pins) + 2


def test_what_the_steps_say_of_pins_is_what_is_wired() -> None:
    """Every pin of the board that the prose of a page names is wired there or before."""
    labels = {pin.label for pin in PLAN.pins}
    for path in ASSEMBLY:
        prose = re.sub(r"<!-- begin.*?<!-- end [^>]*-->", "", read(path), flags=re.DOTALL)
        for named in set(re.findall(r"\b([DA]\d{1,2})\b", prose)):
            assert named in labels, f"{path.name} names {named}"
            pages_of = {
                wire.page
                for wire in PLAN.wires
                if f"U1.{named}" in (wire.start, wire.end) and wire.colour != ON_BOARD
            } | {wire.page for wire in PLAN.wires if f"U1.{named}" == wire.start}
            assert min(pages_of) <= path.name[:2], f"{path.name} names {named} too early"


def test_labels_in_the_prose_are_parts_of_the_pod() -> None:
    labels = {label for part in PLAN.parts for label in part.labels}
    for path in [*ASSEMBLY, HARDWARE / "wiring.md", *(HARDWARE / "parts").glob("*.md")]:
        prose = re.sub(r"<!-- begin.*?<!-- end [^>]*-->", "", read(path), flags=re.DOTALL)
        for named in re.findall(r"\b((?:R|C|U|Q|S|BZ|BT|RV)\d{1,2})\b", prose):
            assert named in labels, f"{path.name} names {named}"


def test_commands_in_the_pages_exist() -> None:
    commands = set(typer.main.get_command(build()).commands)  # type: ignore[attr-defined]  # a group
    for path in PAGES:
        named = set(re.findall(r"`knuckle ([a-z]+)", read(path)))
        assert named <= commands, f"{path.name} names {sorted(named - commands)}"


def test_rates_by_bluetooth_are_those_of_the_line() -> None:
    """Seven axes of 16 bits, 200 raw readings a second: the rule of docs/protocol.md."""
    channels = [
        Channel(ChannelKind.ACCELEROMETER, Sensor.MPU6050, 3, 16, 1.0, 0.0, 2.0, 0.0),
        Channel(ChannelKind.GYRO, Sensor.MPU6050, 3, 16, 1.0, 0.0, 250.0, 0.0),
        Channel(ChannelKind.TEMPERATURE, Sensor.MPU6050, 1, 16, 1.0, 0.0, 85.0, 0.0),
    ]
    slow, fast = (200 / least_averaging(baud, channels, 1250, 250_000) for baud in (9600, 115200))
    page = " ".join(read(HARDWARE / "assembly" / "10-battery-and-bluetooth.md").split())
    assert f"about {slow:.0f} samples a second of an MPU-6050, 115200 all {fast:.0f}" in page


@pytest.mark.parametrize(
    "words",
    ["burn", "charge attended", "no puncture", "shipping and disposal", "local rules", "swollen"],
)
def test_the_cell_comes_with_its_cautions(words: str) -> None:
    page = read(HARDWARE / "assembly" / "10-battery-and-bluetooth.md").lower()
    assert words in page
    assert page.index("## cautions first") < page.index("## parts")


@pytest.mark.parametrize("page", ["README.md", "assembly/12-clamp-and-tether.md"])
def test_driving_with_a_pod_is_warned_of(page: str) -> None:
    assert "never drive with a pod on the wheel" in " ".join(read(HARDWARE / page).lower().split())
    assert "docs/safety.md" in read(HARDWARE / page)


def test_poses_of_the_last_page_are_all_six() -> None:
    text = read(HARDWARE / "assembly" / "13-check-the-whole-pod.md")
    rows = re.findall(
        r"^\|[^|]*\| \**([+-]?[01])\** \| \**([+-]?[01])\** \| \**([+-]?[01])", text, re.M
    )
    poses = {tuple(int(number) for number in row) for row in rows}
    unit = {(s if i == 0 else 0, s if i == 1 else 0, s if i == 2 else 0)
            for i in range(3) for s in (1, -1)}  # fmt: skip
    assert poses == unit
