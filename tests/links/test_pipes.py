"""How a simulated pod's bytes reach the program."""

from __future__ import annotations

import asyncio
import os

import pytest

from knuckle.errors import LinkLost, LinkNotFound, UsageError
from knuckle.links.pipes import MemoryPipe, PtyPipe, open_pipe
from knuckle.links.schemes import open_link
from knuckle.links.sim import SimLink
from knuckle.model.wheel import Wheel
from links.devices import ScriptedBytes

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")


@needs_pty
def test_where_there_are_pseudo_terminals_they_are_used() -> None:
    pipe = open_pipe("auto")
    try:
        assert isinstance(pipe, PtyPipe)
        everything = bytes(range(256)) * 40
        assert pipe.to_host(everything) == everything
        assert pipe.to_pod(everything) == everything
        assert pipe.to_host(b"") == b""
    finally:
        pipe.close()


def test_without_pseudo_terminals_bytes_go_through_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(*_: object) -> None:
        raise OSError(2, "out of pty devices")

    monkeypatch.setattr(os, "openpty", none, raising=False)
    assert isinstance(open_pipe("auto"), MemoryPipe)
    assert isinstance(open_pipe("memory"), MemoryPipe)

    async def run() -> None:
        link = SimLink(ScriptedBytes([b"x"]), scenario="x", seed=1, transport="pty")
        with pytest.raises(LinkNotFound, match="pseudo-terminal"):
            async with link:
                pass

    asyncio.run(run())
    monkeypatch.delattr(os, "openpty")
    assert isinstance(open_pipe("auto"), MemoryPipe)


@needs_pty
def test_a_broken_pseudo_terminal_is_a_lost_link() -> None:
    pipe = PtyPipe()
    pipe._port.close()
    with pytest.raises(LinkLost):
        pipe.to_host(b"x")
    with pytest.raises(LinkLost):
        pipe.to_pod(b"x")
    pipe.close()


def read(address: str, seconds: float, wheel: Wheel | None = None) -> bytes:
    async def run() -> bytes:
        data = b""
        async with open_link(address, wheel=wheel) as link:
            async for chunk in link.chunks():
                data += chunk.data
                if chunk.arrival_s > seconds:
                    break
        return data

    return asyncio.run(run())


@needs_pty
def test_the_way_the_bytes_take_changes_none_of_them() -> None:
    through_pty = read("sim:?seed=5&transport=pty", 3.0)
    assert through_pty
    assert through_pty == read("sim:?seed=5&transport=memory", 3.0)


def test_a_simulated_run_says_what_repeats_it() -> None:
    link = open_link("sim:?faults=knocks&car.LF.caster_deg=4&seed=9", wheel=Wheel.RF)
    assert "garage" in link.description()
    assert "RF" in link.description()
    assert "seed 9" in link.description()
    assert link.address == "sim:garage?seed=9&faults=knocks&car.LF.caster_deg=4"
    again = open_link(link.address, wheel=Wheel.RF)
    assert (again.address, again.description()) == (link.address, link.description())


@pytest.mark.parametrize(
    "address", ["sim:nowhere", "sim:none.toml", "sim:?faults=gremlins", "sim:?car.LF.x_deg=1"]
)
def test_scenarios_and_keys_that_do_not_exist_are_refused(address: str) -> None:
    with pytest.raises(UsageError):
        open_link(address)
