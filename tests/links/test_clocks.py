"""The times links live in."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta

import pytest

from knuckle.links.clocks import DrivenClock, WallClock

NOON = datetime(2024, 5, 6, 12, 0, tzinfo=UTC)


def test_a_driven_clock_moves_only_when_it_is_moved() -> None:
    async def run() -> None:
        clock = DrivenClock(NOON)
        clock.driven = True
        assert clock.now_s() == 0.0
        await clock.pass_time(2.5)
        assert clock.now_s() == 2.5
        await clock.pass_time(1.0)  # never back
        assert clock.now_s() == 2.5
        assert clock.utc(2.5) == NOON + timedelta(seconds=2.5)

    asyncio.run(run())


def test_sleepers_wake_in_the_clocks_own_time() -> None:
    async def run() -> list[str]:
        clock = DrivenClock(NOON)
        clock.driven = True
        woken: list[str] = []

        async def sleeper(name: str, seconds: float) -> None:
            await clock.sleep(seconds)
            woken.append(f"{name} at {clock.now_s():g}")

        tasks = [asyncio.create_task(sleeper(n, s)) for n, s in (("b", 2.0), ("a", 0.5))]
        await asyncio.sleep(0)
        for step in range(1, 6):
            await clock.pass_time(0.5 * step)
            await asyncio.sleep(0)
        await asyncio.gather(*tasks)
        return woken

    assert asyncio.run(run()) == ["a at 0.5", "b at 2"]


def test_a_sleep_moves_a_clock_that_nobody_drives() -> None:
    async def run() -> None:
        clock = DrivenClock(NOON)
        await clock.sleep(100.0)
        assert clock.now_s() == 100.0

    asyncio.run(run())


def test_a_sleeper_goes_on_by_itself_when_the_link_hands_over() -> None:
    async def run() -> None:
        clock = DrivenClock(NOON)
        clock.driven = True
        task = asyncio.create_task(clock.sleep(10.0))
        await asyncio.sleep(0)
        await clock.pass_time(3.0)
        clock.hand_over()
        await task
        assert clock.now_s() == 10.0

    asyncio.run(run())


def test_the_speed_decides_how_long_the_wall_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    wall_s = [1000.0]
    waits: list[float] = []

    async def sleep(seconds: float) -> None:
        waits.append(seconds)
        wall_s[0] += seconds

    monkeypatch.setattr("knuckle.links.clocks.time.monotonic", lambda: wall_s[0])
    monkeypatch.setattr("knuckle.links.clocks.asyncio.sleep", sleep)

    async def run() -> None:
        clock = DrivenClock(NOON, speed=4.0)
        for step in range(1, 11):
            await clock.pass_time(0.4 * step)
        assert sum(waits) == pytest.approx(1.0)
        wall_s[0] += 30.0  # a slow reader is not made up for by a rush
        waits.clear()
        for step in range(11, 21):
            await clock.pass_time(0.4 * step)
        assert sum(waits) == pytest.approx(0.9, abs=0.11)

    asyncio.run(run())


def test_a_jump_sets_the_beginning() -> None:
    clock = DrivenClock(NOON)
    clock.jump_to(500.0)
    assert clock.now_s() == 500.0
    clock.start_at(datetime(2025, 1, 1))  # without a zone: taken as UTC
    assert clock.utc(0.0) == datetime(2025, 1, 1, tzinfo=UTC)


def test_the_wall_clock_is_steady_and_dated() -> None:
    async def run() -> None:
        clock = WallClock()
        before = clock.now_s()
        await clock.sleep(0.0)
        await clock.sleep(-1.0)
        assert clock.now_s() >= before
        assert abs((clock.utc(clock.now_s()) - datetime.now(UTC)).total_seconds()) < 60

    asyncio.run(run())
