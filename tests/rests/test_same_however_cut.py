"""Live and offline: the same rests and events to the last bit, however the samples arrive."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest

from knuckle.model.block import Block, concatenate
from knuckle.model.rest import Rest
from knuckle.rests.detector import RestDetector, RestEvent, find_rests
from rests.driver_signal import random_plan, record


def pieces(block: Block, rng: np.random.Generator) -> Iterator[Block]:
    first = 0
    while first < len(block):
        end = min(len(block), first + int(rng.choice([1, 2, 3, 7, 13, 50, 400])))
        # Copies: live samples do not share memory with a recording.
        yield concatenate([block.part(first, end), block.part(end, end)])
        first = end


def exact(rest: Rest | None) -> object:
    if rest is None:
        return None
    values = (getattr(rest, field.name) for field in fields(Rest))
    return tuple(v.tobytes() if isinstance(v, np.ndarray) else v for v in values)


def exact_events(events: list[RestEvent]) -> list[object]:
    return [(e.kind, e.at_s, exact(e.rest)) for e in events]


@pytest.mark.parametrize("seed", range(12))
def test_any_chunking(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rate_hz = float(rng.choice([10.0, 25.0, 100.0, 204.8, 1000.0]))
    block, _ = record(random_plan(seed, has_gyro=seed % 3 > 0, rate_hz=rate_hz))
    if seed % 2:
        kept = rng.uniform(size=len(block)) > 0.01
        kept[0] = True
        positions = np.flatnonzero(kept)
        lost = np.diff(positions, prepend=-1) - 1
        block = replace(
            block,
            t_s=block.t_s[kept],
            accel_g=block.accel_g[kept],
            gyro_dps=None if block.gyro_dps is None else block.gyro_dps[kept],
            lost_before=lost,
            stretch=(block.t_s[kept] > 15.0).astype(np.int64),
            clipped=block.clipped[kept],
        )
    has_gyro = block.gyro_dps is not None
    whole = RestDetector(block.rate_hz, has_gyro)
    events = whole.push(block) + whole.finish()
    live = RestDetector(block.rate_hz, has_gyro)
    live_events = [e for piece in pieces(block, rng) for e in live.push(piece)]
    live_events += live.finish()
    assert len(whole.rests()) >= 2
    assert exact_events(events) == exact_events(live_events)
    assert [exact(r) for r in whole.rests()] == [exact(r) for r in live.rests()]
    assert [exact(r) for r in whole.rests()] == [exact(r) for r in find_rests(block)]
    assert whole.dropped == live.dropped


def test_strided_recording_gives_the_same() -> None:
    """A log's columns lie apart in memory; the arithmetic must not notice."""
    block, _ = record(random_plan(3, rate_hz=100.0))
    table = np.column_stack([block.t_s, block.accel_g, block.gyro_dps])
    strided = replace(
        block, t_s=table[:, 0], accel_g=table[:, 1:4], gyro_dps=np.asfortranarray(table[:, 4:7])
    )
    assert [exact(r) for r in find_rests(block)] == [exact(r) for r in find_rests(strided)]


def test_every_cue_is_answered_once() -> None:
    for seed in range(8):
        block, _ = record(random_plan(seed))
        detector = RestDetector(block.rate_hz, True)
        events = detector.push(block) + detector.finish()
        kinds = [e.kind for e in events if e.kind != "knock"]
        assert kinds[0::2] == ["ready"] * (len(kinds) // 2)
        assert set(kinds[1::2]) <= {"ended", "moved"}
        assert all(e.rest is not None for e in events if e.kind in ("ready", "ended"))
        rests = detector.rests()
        assert all(a.end <= b.first and a.end_s < b.start_s for a, b in pairwise(rests))
        for rest in rests:
            assert rest.start_s == block.t_s[rest.first]
            assert rest.end_s == block.t_s[rest.end - 1]
            assert rest.count <= rest.end - rest.first


def test_reading_of_a_rest_that_goes_on() -> None:
    block, _ = record(random_plan(5, rate_hz=100.0, knocks_s=(), slips=()))
    detector = RestDetector(100.0, True)
    assert detector.reading() is None
    detector.push(block.part(0, 200))
    early = detector.reading()
    assert early is not None
    assert early.ended is False
    assert early.count >= 150
    assert detector.state == "still"


def test_misuse_is_named() -> None:
    with pytest.raises(ValueError, match="not positive"):
        RestDetector(0.0, True)
    block, _ = record(random_plan(1, has_gyro=False))
    with pytest.raises(ValueError, match="gyro"):
        RestDetector(block.rate_hz, True).push(block)
    assert find_rests(block.part(0, 0)) == []
    assert find_rests(block.part(0, 5)) == []
