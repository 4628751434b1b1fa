"""What a baud rate carries, measured on the shipped program: the table of firmware/README.md."""

from __future__ import annotations

import itertools
import re
from typing import NamedTuple

import pytest

from bench.conftest import Wires
from bench.test_bench_memory import write_record
from bench.test_bench_streaming import noisy_feed
from bench.wired import Wired
from firmware.board_program import FIRMWARE
from knuckle.wire.messages import Command, SampleBatch
from knuckle.wire.settings import SettingsRecord

AROUND = 15
"""Bytes of a sample frame beside its samples: docs/protocol.md, Averaging and the line."""
SENSORS = {"MPU-6050": ("mpu6050",), "with ADXL355": ("mpu6050", "adxl355")}
_CELLS = (r"(\d+)", "(MPU-6050|with ADXL355)", r"(\d+)", r"([\d.]+)", r"(\d+)", r"(\d+) of (\d+)")
ROW = re.compile(r"^\| " + r" \| ".join(_CELLS) + r" \|$", re.MULTILINE)
SECONDS = 16.0


class Carried(NamedTuple):
    averaging: int
    rate_hz: float
    frame_bytes: int
    bytes_s: float


def measure(wired: Wired, baud: int, sensors: str) -> Carried:
    """Set the rate as a host does, start anew, and see what comes."""
    for name in SENSORS[sensors]:
        wired.bench.command("sensor", name, "back")
    wired.run(0.6)
    write_record(wired, SettingsRecord(b"\x01" * 8, "pod", baud, None).to_bytes())
    wired.bench.command("reset", "external")
    wired.bench.command("baud", baud)
    wired.run(1.0)
    hello = wired.hello
    assert hello.averaging == hello.least_averaging
    wired.must(Command.START)
    noisy_feed(wired, SECONDS + 2.0, 5)
    wired.run(0.6)
    came = bytearray()

    def count(data: bytes) -> bytes:
        came.extend(data)
        return data

    wired.messages.clear()
    wired.from_pod = count
    wired.run(SECONDS)
    status = wired.status
    assert (status.dropped, status.overruns, wired.decoder.counts.lost_frames) == (0, 0, 0)
    batches = wired.all(SampleBatch)
    (averaging,) = {batch.averaging for batch in batches}
    step = averaging * hello.raw_period_ticks
    for one, two in itertools.pairwise(batches):
        assert (two.tick - one.tick) % 2**32 == one.samples * step, "no sample is missing"
    frame_bytes = max(len(batch.payload) for batch in batches) + AROUND
    return Carried(averaging, hello.tick_hz / step, frame_bytes, len(came) / SECONDS)


def rows() -> list[tuple[str, ...]]:
    return ROW.findall((FIRMWARE / "README.md").read_text(encoding="utf-8"))


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row[0]} {row[1]}")
def test_a_rate_carries_what_the_table_says(row: tuple[str, ...], wires: Wires) -> None:
    baud, sensors, averaging, rate_hz, frame_bytes, bytes_s, line = row
    found = measure(wires(), int(baud), sensors)
    assert (found.averaging, found.frame_bytes) == (int(averaging), int(frame_bytes))
    assert f"{found.rate_hz:.1f}".removesuffix(".0") == rate_hz
    assert found.bytes_s == pytest.approx(int(bytes_s), rel=0.02)
    assert int(line) == int(baud) // 10
    assert found.bytes_s < 0.97 * int(line), "as docs/protocol.md promises"


def test_the_table_has_the_rates_of_modules_and_of_usb() -> None:
    assert {row[0] for row in rows()} == {"9600", "115200"}
