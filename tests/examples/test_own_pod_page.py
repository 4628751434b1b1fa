"""docs/own-pod.md keeps up with the program and the examples."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer.main

from examples.board_says import HEADER, Line, good, talk
from knuckle.cli.app import build
from knuckle.errors import KnuckleError
from knuckle.links.ble_uart import NAME_PREFIX, SERVICES
from knuckle.links.discovery import BAUDS
from knuckle.run.calibration_trust import said
from knuckle.run.calibrations import APPLIED, Used
from knuckle.run.deadlines import Deadlines
from knuckle.wire.columns import parse_header
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import TextHeader, TextSample

TOP = Path(__file__).resolve().parents[2]
PAGE = (TOP / "docs" / "own-pod.md").read_text(encoding="utf-8")
EXAMPLES = TOP / "firmware" / "examples"
SKETCH = (EXAMPLES / "arduino" / "text_pod" / "text_pod.ino").read_text(encoding="utf-8")
SCRIPT = (EXAMPLES / "micropython" / "text_pod.py").read_text(encoding="utf-8")
WORDS = " ".join(PAGE.split())
MISTAKES = " ".join(PAGE.split("## Common mistakes")[1].split())


def test_the_whole_pod_of_the_page_is_read() -> None:
    (block,) = re.findall(r"```csv\n(.*?)```", PAGE, re.DOTALL)
    decoder = PodDecoder()
    decoder.receive_data(block.encode())
    messages = list(decoder.events())
    assert isinstance(messages[0], TextHeader)
    assert [type(message) for message in messages[1:]] == [TextSample] * 3
    assert decoder.counts.discarded_bytes == 0


def test_columns_of_its_table_are_columns() -> None:
    named = re.findall(r"`((?:t|[ag][xyz]|temp|linear\d*)_\w+)`", PAGE.split("| column |")[1])
    lines = {name for name in named if name not in ("ax_ms2", "gz_rads", "t_s")}
    header = parse_header(",".join(sorted(lines)))
    assert header.ignored == ()
    assert {"t_ms", "ax_g", "gz_dps", "temp_c", "linear2_mm"} <= set(header.names)


@pytest.mark.parametrize(
    ("header", "line"),
    [
        ("", good),
        ("t,ax,ay,az,temp", good),
        (HEADER, lambda i: f"{20 * i},0,{0.1 * (i % 2)},9.81,24.5"),
        (HEADER, lambda i: good(i).replace(".", ",")),
        ("", lambda i: "\x7f\x80"),
    ],
)
def test_what_the_program_says_of_a_mistake_is_what_the_page_tells(header: str, line: Line) -> None:
    with pytest.raises(KnuckleError) as told:
        talk(header, line, 20.0)
    assert f"`{told.value.what}`" in MISTAKES


def test_what_is_said_of_a_board_that_hides_its_calibration_is_what_the_page_tells() -> None:
    assert f"`{said(Used(APPLIED), None)}`" in MISTAKES


def test_limits_and_rates_are_those_of_the_program() -> None:
    assert f"it waits {Deadlines().header_s:g} s at most" in WORDS
    assert "one of 9600, 19200, 38400, 57600, 115200" in WORDS
    assert sorted(BAUDS) == [9600, 19200, 38400, 57600, 115200]
    length = len("12345,-0.01234,-0.01234,0.99876,-12.345,-12.345,-2.345,24.31\r\n")
    assert f"line of {length} bytes" in WORDS
    for baud, lines in ((115200, "185"), (9600, "15")):
        assert lines == str(baud // 10 // length)
        assert f"{lines} lines/s" in WORDS


def test_bluetooth_is_that_of_the_program() -> None:
    assert f"a name that begins with `{NAME_PREFIX}`" in WORDS
    module, board = SERVICES
    assert f"`{module.service[4:8].upper()}`" in PAGE and f"`{module.notify[4:8].upper()}`" in PAGE
    assert f"`{board.service.upper()}`" in PAGE
    assert (
        f"`{board.notify[:8].upper()}-...`" in PAGE and f"`{board.write[:8].upper()}-...`" in PAGE
    )


def test_the_examples_are_as_told() -> None:
    assert (
        "BAUD = 115200;" in SKETCH and "AVERAGE = 4;" in SKETCH and "READING_US = 5000;" in SKETCH
    )
    assert "`BAUD = 9600` and `AVERAGE = 25`" in WORDS
    assert "known as `my-first-pod`" in WORDS and '"# id=my-first-pod"' in SKETCH
    assert len(SKETCH.splitlines()) == pytest.approx(120, abs=5)
    assert "READING_MS = 5 " in SCRIPT and "AVERAGE = 4 " in SCRIPT
    way_out = 'run(sensor, lambda text: uart.write(text + "\\n"))'
    assert way_out in PAGE and way_out in (EXAMPLES / "micropython" / "main.py").read_text("utf-8")


def test_both_examples_say_the_same_of_themselves() -> None:
    facts = [re.findall(r'"(# (?!id)\w+=\w+|t_ms,[\w,]+)"', text) for text in (SKETCH, SCRIPT)]
    assert sorted(facts[0]) == sorted(facts[1])
    assert len(facts[0]) == 5


def test_commands_exist() -> None:
    commands = set(typer.main.get_command(build()).commands)  # type: ignore[attr-defined]  # a group
    assert set(re.findall(r"(?:^    |`)knuckle ([a-z]+)", PAGE, re.MULTILINE)) <= commands
