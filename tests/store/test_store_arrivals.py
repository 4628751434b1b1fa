"""Dates of samples from stored arrivals: drift, late bytes, a pod that starts anew."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from knuckle.store.database import Store
from knuckle.store.recording import decode_run
from knuckle.wire.codec import encode_message
from knuckle.wire.messages import SampleBatch
from report.stored_sweep import HELLO

STARTED = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)
RATE = 1.002
BATCH_S = 0.1


def counts() -> bytes:
    return np.tile(np.array([0, 0, 16384, 0, 0, 0], dtype="<i2"), (10, 1)).tobytes()


def send(store: Store, run: int, from_s: float, batches: int, *, seed: int) -> None:
    """Batches of a pod whose clock is slow, each late by a time of its own."""
    late_s = np.random.default_rng(seed).exponential(0.03, batches)
    store.add_chunk(run, 0, from_s, encode_message(HELLO))
    for number in range(batches):
        data = encode_message(SampleBatch(number, number * 100_000, 1, 10, counts()))
        taken_s = from_s + ((number + 1) * BATCH_S - 0.01) * RATE
        store.add_chunk(run, 0, taken_s + float(late_s[number]), data)


@pytest.fixture
def store(tmp_path: Path):
    with Store(tmp_path / "runs.sqlite3") as opened:
        yield opened


def test_samples_are_dated_in_spite_of_drift_and_late_bytes(store: Store):
    run = store.begin_run("watch", ["LF"], started_utc=STARTED)
    send(store, run, 5000.0, 1200, seed=1)
    store.finish_run(run)
    clock = decode_run(store, run, 0).clock
    assert clock is not None
    assert clock.first_sample_utc.startswith("2026-03-01T12:00:00.0")
    for t_s in (0.0, 60.0, 119.0):
        expected = STARTED + timedelta(seconds=t_s * RATE)
        off = datetime.fromisoformat(clock.stamp(t_s)) - expected
        assert abs(off.total_seconds()) < 0.02, t_s


def test_after_a_restart_the_pause_is_in_the_date(store: Store):
    run = store.begin_run("watch", ["LF"], started_utc=STARTED)
    send(store, run, 5000.0, 100, seed=2)
    send(store, run, 5600.0, 100, seed=3)
    store.finish_run(run)
    decoded = decode_run(store, run, 0)
    assert decoded.clock is not None and decoded.block is not None
    second = float(decoded.block.t_s[int(np.searchsorted(decoded.block.stretch, 1))])
    begun = datetime.fromisoformat(decoded.clock.stamp(second))
    assert abs((begun - STARTED).total_seconds() - 600.0) < 0.05
    assert second < 20.0, "pod time does not know how long the pause was"


@pytest.mark.parametrize("spacing_s", [0.0, 0.001])
def test_bursts_in_small_pieces_are_dated_by_the_sample_that_waited_least(
    store: Store, spacing_s: float
):
    """Half a second of samples at a time, at least 50 ms late, in pieces of 20 bytes."""
    run = store.begin_run("watch", ["LF"], started_utc=STARTED)
    rng = np.random.default_rng(4)
    store.add_chunk(run, 0, 5000.0, encode_message(HELLO))
    for burst in range(240):
        data = b"".join(
            encode_message(SampleBatch(n, n * 100_000, 1, 10, counts()))
            for n in range(5 * burst, 5 * burst + 5)
        )
        at_s = 5000.0 + (burst + 1) * 0.5 * RATE + rng.uniform(0.05, 0.5)
        for i in range(0, len(data), 20):
            store.add_chunk(run, 0, at_s + i // 20 * spacing_s, data[i : i + 20])
    store.finish_run(run)
    clock = decode_run(store, run, 0).clock
    assert clock is not None
    for t_s in (0.0, 60.0, 119.0):
        expected = STARTED + timedelta(seconds=t_s * RATE)
        late = datetime.fromisoformat(clock.stamp(t_s)) - expected
        lasting_s = len(data) // 20 * spacing_s
        assert 0.04 < late.total_seconds() - lasting_s < 0.13, t_s


def test_without_samples_or_start_there_is_no_date(store: Store):
    run = store.begin_run("watch", ["LF"], started_utc=STARTED)
    store.add_chunk(run, 0, 1.0, b"noise")
    store.finish_run(run)
    assert decode_run(store, run, 0).clock is None
