"""Mistakes of boards of one's own: told in words while the lines come."""

from __future__ import annotations

import asyncio
import re

import pytest

from examples.board_says import HEADER, Line, good, talk
from knuckle.errors import KnuckleError, LinkWrongDevice, PodLinesError
from knuckle.links.clocks import DrivenClock
from knuckle.links.contract import Chunk
from knuckle.links.discovery import find_pods
from knuckle.links.ports import UsbPort
from knuckle.run.events import Samples


def test_a_board_without_mistakes_is_heard() -> None:
    events = talk(HEADER, good, 10.0)
    assert sum(len(event.block) for event in events if isinstance(event, Samples)) == 500


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (lambda i: good(i).replace(".", ","), "9 cells, where the header has 5 columns. A number"),
        (lambda i: good(i) + ",7", "6 cells, where the header has 5"),
        (lambda i: good(i).removesuffix(",24.5"), "4 cells, where the header has 5 columns.$"),
        (lambda i: good(i).replace("24.5", "nan"), "'nan' in temp_c is no number"),
        (lambda i: good(i).replace("-0.02", "-"), "'-' in ay_g is no number"),
        (lambda i: good(i).replace("-0.02", ""), "'' in ay_g is no number"),
        (lambda i: good(i).replace("-0.02", "0_2"), "'0_2' in ay_g is no number"),
    ],
)
def test_lines_that_do_not_fit_the_header_end_the_run(line: Line, says: str) -> None:
    with pytest.raises(PodLinesError) as told:
        talk(HEADER, line, 3.0)
    assert re.search(says, told.value.cause), told.value.cause
    assert "own-pod.md" in told.value.next_step


@pytest.mark.parametrize(("factor", "unit"), [(9.81, "m/s2"), (1000.0, "thousandths of a g")])
def test_another_unit_under_the_header_of_g_ends_the_run(factor: float, unit: str) -> None:
    def line(i: int) -> str:
        return f"{20 * i},{0.01 * factor},{-0.02 * factor},{factor},24.5"

    with pytest.raises(PodLinesError, match=unit):
        talk(HEADER, line, 2.0)


@pytest.mark.parametrize("at", [0.5, 1.7, 3.0])
def test_a_pod_in_the_hand_is_not_taken_for_one_of_another_unit(at: float) -> None:
    def line(i: int) -> str:
        return f"{20 * i},0,{0.01 * (i % 3)},{at},24.5"

    talk(HEADER, line, 3.0)


def test_some_damaged_lines_end_nothing() -> None:
    talk(HEADER, lambda i: good(i) if i % 3 else good(i)[:-9], 20.0)


@pytest.mark.parametrize(
    ("header", "says"),
    [
        ("t,ax,ay,az,temp", "column 1, 't' is not in a unit"),
        ("t_ms,ax_ms2,ay_ms2,az_ms2,temp_c", "Expected ax_g"),
        (HEADER.replace(",", ";"), "separated by semicolons"),
        ("ax_g,ay_g,az_g", "no time column"),
        ("t_ms,ax_g,ay_g,temp_c", "az_g missing"),
    ],
)
def test_a_header_that_cannot_be_used_is_told(header: str, says: str) -> None:
    with pytest.raises(LinkWrongDevice) as told:
        talk(header, good, 20.0)
    assert says in told.value.cause
    assert header[:20] in told.value.cause


def test_lines_without_a_header_are_told() -> None:
    with pytest.raises(LinkWrongDevice, match="no header line within 15 s"):
        talk("", good, 20.0)


def test_boot_messages_are_no_header() -> None:
    with pytest.raises(LinkWrongDevice, match="no hello"):
        talk("", lambda i: "Booting, please wait, version 3", 20.0)


class Saying:
    """A port on which a board says lines."""

    clock = DrivenClock(None, 0.0)

    def __init__(self, header: str) -> None:
        self.header = header

    async def __aenter__(self) -> Saying:
        return self

    async def __aexit__(self, *_: object) -> None:
        pass

    async def chunks(self):  # type: ignore[no-untyped-def]
        for i in range(600):
            yield Chunk(0.02 * i, f"{self.header}\r\n{good(i)}\r\n".encode())


def test_the_list_of_pods_tells_it_too() -> None:
    port = UsbPort("/dev/x", 1, 2)
    (found,) = asyncio.run(
        find_pods(
            list_ports=lambda: [port],
            open_port=lambda *_: Saying("t,ax,ay,az,temp"),  # type: ignore[arg-type,return-value]
        )
    )
    assert not found.is_pod
    assert isinstance(found.problem, KnuckleError)
    assert "'t' is not in a unit" in found.problem.cause
