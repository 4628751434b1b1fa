"""The rate that fits: what a link carries is learnt, what it loses by chance is not mistaken."""

from __future__ import annotations

import random
from collections import deque
from itertools import pairwise

import numpy as np
import pytest

from knuckle.links.contract import Chunk
from knuckle.model.wheel import Wheel
from knuckle.run.events import Health, RateFitted, RestReady, RunEvent, Samples
from knuckle.run.podsession import PodSession
from knuckle.run.rate_fit import SLOWEST_HZ, fitting
from knuckle.store.recording import decode
from knuckle.timebase.assembler import TRIAL_S
from knuckle.wire.budget import carries
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import Command
from links.scripted_pod import ScriptedPod

STEP_S = 0.02


class Thin:
    """A link that carries so many bytes a second, holds some more, and loses the rest."""

    def __init__(self, bytes_per_s: float, holds: int = 512, from_s: float = 0.0) -> None:
        self.bytes_per_s = bytes_per_s
        self._holds = holds
        self._from_s = from_s
        self._waiting = bytearray()
        self._allowance = 0.0

    def carry(self, data: bytes, at_s: float) -> bytes:
        if at_s < self._from_s:
            return data
        self._waiting += data[: max(0, self._holds - len(self._waiting))]
        self._allowance = min(self._allowance + self.bytes_per_s * STEP_S, 60.0)
        count = int(self._allowance)
        self._allowance -= count
        out = bytes(self._waiting[:count])
        del self._waiting[:count]
        return out


class Lossy:
    """A link that loses a share of all frames, and delivers in bursts."""

    def __init__(self, share: float, seed: int) -> None:
        self._rng = random.Random(seed)
        self._share = share
        self._held: deque[bytes] = deque()
        self._until_s = 0.0

    def carry(self, data: bytes, at_s: float) -> bytes:
        if data and self._rng.random() < self._share:
            data = b""
        self._held.append(data)
        if at_s < self._until_s:
            return b""
        self._until_s = at_s + self._rng.uniform(0.05, 0.5)
        out = b"".join(self._held)
        self._held.clear()
        return out


def run(pod: ScriptedPod, link: Thin | Lossy, for_s: float) -> tuple[list[RunEvent], bytes]:
    session = PodSession(Wheel.LF, fit_rate=True)
    events = session.opened(0.0)
    stored = bytearray()
    for step in range(1, round(for_s / STEP_S) + 1):
        now_s = step * STEP_S
        data = link.carry(pod.advance(now_s), now_s)
        stored += data
        events += session.receive(Chunk(now_s, data))
        pod.receive(session.take_outgoing())
    return events + session.finish(for_s), bytes(stored)


def fitted(events: list[RunEvent]) -> list[RateFitted]:
    return [event for event in events if isinstance(event, RateFitted)]


def test_a_thin_link_gets_a_rate_that_it_carries_and_loses_nothing_from_then_on() -> None:
    pod = ScriptedPod()
    events, stored = run(pod, Thin(900.0), 30.0)
    (fit,) = fitted(events)
    assert fit.applied
    assert fit.at_s < TRIAL_S
    assert fit.bytes_per_s == pytest.approx(900.0, rel=0.1)
    assert pod.commands().count(Command.SET_RATE) == 1
    late = [event for event in events if isinstance(event, Health) and event.at_s > fit.at_s + 3]
    assert len(late) > 15
    assert sum(health.lost for health in late) == 0
    assert {round(health.rate_hz) for health in late} == {round(fit.rate_hz)}
    assert late[-1].bytes_per_s < 900.0
    block = decode([stored]).block
    assert block is not None
    assert block.rate_hz == pytest.approx(fit.rate_hz)
    assert set(np.round(np.diff(block.t_s), 6)) == {round(1.0 / fit.rate_hz, 6)}


def test_what_is_read_from_the_stored_bytes_is_what_was_seen_live() -> None:
    pod = ScriptedPod(moves=lambda t_s: t_s % 6.0 < 1.0)
    events, stored = run(pod, Thin(900.0), 40.0)
    (fit,) = fitted(events)
    trial = next(i for i, event in enumerate(events) if event is fit)
    live = [event.block for event in events[trial:] if isinstance(event, Samples)]
    live = [block for block in live if block.rate_hz == pytest.approx(fit.rate_hz)]
    block = decode([stored]).block
    assert block is not None
    assert np.array_equal(np.concatenate([b.t_s for b in live]), block.t_s)
    assert np.array_equal(np.concatenate([b.accel_g for b in live]), block.accel_g)
    assert any(isinstance(event, RestReady) for event in events[trial:])


@pytest.mark.parametrize("seed", range(2))
def test_one_per_cent_lost_by_chance_and_bursts_change_no_rate(seed: int) -> None:
    events, _ = run(ScriptedPod(), Lossy(0.01, seed), 200.0)
    assert not fitted(events)
    assert sum(event.lost for event in events if isinstance(event, Health)) > 0


def test_a_hole_in_the_reach_changes_no_rate() -> None:
    class Hole(Thin):
        def carry(self, data: bytes, at_s: float) -> bytes:
            return b"" if 3.0 <= at_s < 4.8 else data

    events, _ = run(ScriptedPod(), Hole(1e9), 20.0)
    assert not fitted(events)


def test_late_in_a_run_the_rate_stays_and_the_person_is_told_what_to_say() -> None:
    pod = ScriptedPod()
    events, stored = run(pod, Thin(900.0, from_s=20.0), 60.0)
    (fit,) = fitted(events)
    assert not fit.applied
    assert Command.SET_RATE not in pod.commands()
    block = decode([stored]).block
    assert block is not None
    assert block.t_s[0] == 0.0, "a late change throws nothing away"


def test_bytes_that_come_later_and_later_are_too_many_as_well() -> None:
    pod = ScriptedPod()
    events, _ = run(pod, Thin(900.0, holds=10**9), 30.0)
    assert fitted(events)[0].applied


def test_a_link_whose_throughput_is_known_is_left_alone() -> None:
    pod, link = ScriptedPod(), Thin(900.0)
    session = PodSession(Wheel.LF)
    events = session.opened(0.0)
    for step in range(1, 700):
        data = link.carry(pod.advance(step * STEP_S), step * STEP_S)
        events += session.receive(Chunk(step * STEP_S, data))
        pod.receive(session.take_outgoing())
    assert not fitted(events)


def test_the_averaging_found_is_the_protocols_for_a_line_of_that_rate() -> None:
    decoder = PodDecoder()
    decoder.receive_data(ScriptedPod().advance(0.1))
    (hello,) = [m for m in decoder.events() if hasattr(m, "tick_hz")]
    line = (hello.channels, hello.raw_period_ticks, hello.tick_hz)
    steps = [fitting(float(rate), hello.channels, hello, 1) for rate in range(400, 4000, 100)]
    assert all(before >= after for before, after in pairwise(steps))
    for rate, averaging in zip(range(400, 4000, 100), steps, strict=True):
        raw_hz = hello.tick_hz / hello.raw_period_ticks
        assert averaging >= 2
        assert raw_hz / averaging >= SLOWEST_HZ
        if averaging < raw_hz / SLOWEST_HZ:
            assert carries(10 * rate, line[0], averaging, line[1], line[2])
