"""``knuckle pod`` on the board's own program: what is written outlives power."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from knuckle.errors import LinkError
from knuckle.links.schemes import open_link
from knuckle.model.wheel import Wheel
from knuckle.run.podsettings import PodSettings, change_settings
from knuckle.run.visit import visit
from knuckle.wire.settings import SettingsRecord


@pytest.fixture
def link(bench_folder: Path, board_elf: Path) -> Iterator[object]:
    made = open_link(
        f"avr:?seed=4&transport=memory&elf={board_elf}&bench={bench_folder / 'bench'}",
        wheel=Wheel.LF,
        purpose="watch",
    )
    yield made
    made.pod.close()  # type: ignore[attr-defined]  # an AvrLink


def call(link: object, name: str | None = None, baud: int | None = None) -> PodSettings:
    return asyncio.run(
        visit(link, lambda hello: change_settings(hello, name, baud, lambda: bytes(8)))  # type: ignore[arg-type]
    )


def power_cycle(link: object, line_baud: int) -> None:
    bench = link.pod.board.bench  # type: ignore[attr-defined]
    bench.command("power", "off")
    bench.command("baud", line_baud)
    bench.command("power", "on")


def test_name_and_rate_outlive_power(link: object) -> None:
    before = call(link).now
    assert before is not None
    assert before.baud == 115200
    written = call(link, "left", 9600).now
    assert written == SettingsRecord(before.identity, "left", 9600, before.calibration)
    still = call(link)
    assert still.now == written, "it speaks the old rate until its next start"
    power_cycle(link, 9600)
    after = call(link)
    assert after.now == written
    assert after.hello.name == "left"
    assert after.hello.identity == before.identity
    assert after.hello.least_averaging > 1, "a slow line: fewer samples"


def test_at_the_old_rate_nothing_can_be_read_any_more(link: object) -> None:
    call(link, baud=9600)
    power_cycle(link, 115200)
    with pytest.raises(LinkError):
        call(link)


def test_an_emulator_that_is_gone_is_not_waited_for(link: object) -> None:
    async def read_until_it_is_killed() -> None:
        async with link as entered:  # type: ignore[attr-defined]
            async for _ in entered.chunks():
                os.kill(link.pod.board.bench.process_id, signal.SIGKILL)  # type: ignore[attr-defined]

    assert link.reconnects  # type: ignore[attr-defined]
    with pytest.raises(LinkError, match="emulated board is gone"):
        asyncio.run(read_until_it_is_killed())
    assert not link.reconnects  # type: ignore[attr-defined]
