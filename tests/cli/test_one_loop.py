"""All that a call of the program waits for runs in one event loop."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

import pytest

import knuckle
from knuckle.cli.one_loop import carry_out, one_loop


async def running() -> asyncio.AbstractEventLoop:
    return asyncio.get_running_loop()


def test_several_pieces_of_work_share_the_loop_and_what_is_left_ends_with_it() -> None:
    left = []

    async def leave_something() -> None:
        left.append(asyncio.create_task(asyncio.sleep(3600)))
        await asyncio.sleep(0)

    with one_loop():
        first = carry_out(running())
        carry_out(leave_something())
        assert carry_out(running()) is first
        assert not left[0].done()
    assert left[0].cancelled()
    assert first.is_closed()


def test_it_makes_no_loop_that_is_not_needed_and_works_alone_too() -> None:
    with one_loop():
        pass
    assert carry_out(running()).is_closed()


def test_an_interruption_leaves_it_usable() -> None:
    async def interrupted() -> None:
        raise KeyboardInterrupt

    with one_loop():
        with pytest.raises(KeyboardInterrupt):
            carry_out(interrupted())
        assert not carry_out(running()).is_closed()


def test_nobody_makes_a_loop_of_their_own() -> None:
    package = Path(knuckle.__file__).parent
    makers = re.compile(r"asyncio\.(run|Runner|new_event_loop)\(")
    own = {
        path.relative_to(package).as_posix()
        for path in package.rglob("*.py")
        if makers.search(path.read_text(encoding="utf-8"))
    }
    assert own == {"cli/one_loop.py"}
