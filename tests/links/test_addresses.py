"""Addresses as people write them, and the table of links."""

from __future__ import annotations

import importlib
import subprocess
import sys

import pytest

from knuckle.errors import UsageError
from knuckle.links.address import Address, parse_address
from knuckle.links.file import FileLink
from knuckle.links.schemes import SCHEMES, open_link
from knuckle.links.serial import SerialLink


@pytest.mark.parametrize(
    ("text", "scheme", "place", "options"),
    [
        ("serial:/dev/ttyUSB0", "serial", "/dev/ttyUSB0", {}),
        ("serial:COM5?baud=9600", "serial", "COM5", {"baud": "9600"}),
        ("SIM:", "sim", "", {}),
        ("sim:garage?seed=7&speed=1", "sim", "garage", {"seed": "7", "speed": "1"}),
        (r"file:C:\logs\a.csv?speed=2", "file", r"C:\logs\a.csv", {"speed": "2"}),
        (" file:a b.csv ", "file", "a b.csv", {}),
    ],
)
def test_an_address_is_taken_apart(
    text: str, scheme: str, place: str, options: dict[str, str]
) -> None:
    assert parse_address(text) == Address(scheme, place, options)


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("/dev/ttyUSB0", "serial:/dev/ttyUSB0"),
        ("avr", "'avr:'"),
        ("COM7", "serial:COM7"),
        ("sweep.csv", "file:sweep.csv"),
        (r"C:\logs\a.csv", r"file:C:\logs\a.csv"),
        ("", "sim:"),
        ("sim:?seed", "name=value"),
    ],
)
def test_what_is_no_address_is_answered_with_one_that_is(text: str, hint: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_address(text)
    assert hint in str(caught.value)


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("carrier-pigeon:x", "carrier"),
        ("pigeon:x", "serial:"),
        ("serial:x?speed=1", "baud"),
        ("serial:x?baud=fast", "fast"),
        ("serial:x?baud=1", "300"),
        ("sim:?seed=-1", "seed"),
        ("sim:?transport=pigeon", "memory"),
        ("file:x?speed=-1", "speed"),
        ("file:x?speed=nan", "speed"),
    ],
)
def test_unknown_kinds_options_and_values_are_refused_by_name(text: str, named: str) -> None:
    with pytest.raises(UsageError) as caught:
        open_link(text)
    assert named in str(caught.value)


def test_options_of_the_program_lie_over_those_of_the_address() -> None:
    link = open_link("serial:/dev/ttyX?baud=9600", baud=19200)
    assert isinstance(link, SerialLink)
    assert "19200" in link.description()
    unchanged = open_link("serial:/dev/ttyX?baud=9600", baud=None)
    assert "9600" in unchanged.description()
    assert isinstance(open_link("file:some.csv?speed=3"), FileLink)


@pytest.mark.parametrize("scheme", sorted(SCHEMES))
def test_every_row_of_the_table_names_a_class_with_the_contract(scheme: str) -> None:
    module, name = SCHEMES[scheme]
    link_class = getattr(importlib.import_module(module), name)
    for member in ("from_address", "chunks", "write", "pass_over", "description", "reconnects"):
        assert hasattr(link_class, member)


def test_the_table_imports_no_link_before_it_is_used() -> None:
    code = (
        "import sys, knuckle.links.schemes;"
        "sys.exit(any(m == 'serial' or m.startswith(('knuckle.links.serial', 'numpy'))"
        " for m in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
