"""The C tests of the drivers, with the address and undefined-behaviour sanitizers."""

from __future__ import annotations

import re
import subprocess

import pytest

from firmware.board_program import FIRMWARE, make, need

PROGRAMS = sorted(path.stem for path in (FIRMWARE / "tests").glob("test_*.c"))
RESULT = re.compile(r"^(\d+) checks, (\d+) failed$", re.MULTILINE)


@pytest.fixture(scope="module", autouse=True)
def built() -> None:
    need("make", "cc")
    done = make("tests")
    assert done.returncode == 0, done.stdout + done.stderr


def test_there_is_a_program_for_each_driver() -> None:
    assert PROGRAMS == ["test_adxl355", "test_linear", "test_mpu6050"]


@pytest.mark.parametrize("program", PROGRAMS)
def test_driver(program: str) -> None:
    done = subprocess.run(
        [FIRMWARE / "build" / "tests" / program],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    found = RESULT.search(done.stdout)
    assert found, done.stdout
    assert int(found.group(1)) > 400 and int(found.group(2)) == 0
