"""Rests of a linear channel alone: no accelerometer, coarse readings, the same however cut."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.model.linear_rest import LinearRest
from knuckle.rests.linear import LinearRestDetector, LinearRestEvent, find_linear_rests
from rests.linear_signal import block_of, cut, signal

LEVELS = [0.0, 52.03, 0.0, 48.02, 0.0, 52.13]


def levels(rests: list[LinearRest]) -> list[float]:
    return [rest.reading_mm for rest in rests]


@pytest.mark.parametrize(
    ("noise_mm", "step_mm", "rate_hz"),
    [
        (0.0, 0.01, 100.0),  # a caliper, 0.01 mm a count
        (0.0, 0.0127, 31.0),  # the same in inches, through a slow line
        (0.006, 0.01, 200.0),  # a caliper that flickers between counts
        (0.02, 0.0, 100.0),  # a potentiometer
        (0.02, 0.1, 100.0),  # the same, seen through ten bits over 100 mm
        (0.0, 0.1, 100.0),
        (0.05, 0.0, 10.0),
        (0.3, 0.0, 200.0),
    ],
)
def test_every_rest_is_found_and_none_invented(noise_mm: float, step_mm: float, rate_hz: float):
    for seed in range(5):
        block = signal(LEVELS, noise_mm=noise_mm, step_mm=step_mm, rate_hz=rate_hz, seed=seed)
        rests = find_linear_rests(block, resolution_mm=step_mm)
        assert len(rests) == len(LEVELS)
        for rest, level in zip(rests, LEVELS, strict=True):
            assert abs(rest.reading_mm - level) < 4.0 * rest.u_mm + 0.01


def test_a_still_caliper_has_no_scatter_but_half_a_count_of_uncertainty():
    (rest,) = find_linear_rests(block_of(np.full(300, 52.03)), resolution_mm=0.01)
    assert rest.reading_mm == pytest.approx(52.03, abs=1e-12)
    assert rest.noise_mm == 1e-4
    # GUM (JCGM 100:2008) F.2.2.1: a step of q leaves q / sqrt(12).
    assert rest.u_mm == pytest.approx(0.01 / np.sqrt(12.0), rel=1e-3)


def events_of(block, pieces: list[int], step_mm: float) -> list[LinearRestEvent]:
    detector = LinearRestDetector(block.rate_hz, 1, step_mm)
    events: list[LinearRestEvent] = []
    first = 0
    for size in pieces:
        events += detector.push(cut(block, np.arange(first, min(first + size, len(block)))))
        first += size
    assert first >= len(block)
    return events + detector.finish()


@pytest.mark.parametrize(("noise_mm", "step_mm"), [(0.02, 0.0), (0.01, 0.01), (0.2, 0.1)])
def test_the_same_to_the_last_bit_however_cut(noise_mm: float, step_mm: float):
    block = signal([0.0, 30.0, 30.2, 5.0, 0.0], noise_mm=noise_mm, step_mm=step_mm, seed=3)
    values = block.linear_mm[:, 0].copy()
    values[480:520] = np.nan
    values[600:612] += 3.0
    block = block_of(values)
    keep = np.ones(len(block), dtype=bool)
    keep[100:110] = False
    block = cut(block, keep)
    whole = events_of(block, [len(block)], step_mm)
    assert sum(event.kind == "ended" for event in whole) >= 4
    random = np.random.default_rng(1)
    for pieces in ([1] * len(block), [7] * 999, random.integers(1, 60, 999).tolist()):
        assert events_of(block, pieces, step_mm) == whole


def test_each_ready_is_followed_by_one_end():
    block = signal([0.0, 30.0, 30.3, 5.0], noise_mm=0.05, seed=2)
    kinds = [event.kind for event in events_of(block, [13] * 999, 0.0) if event.kind != "knock"]
    assert len(kinds) % 2 == 0
    assert set(kinds[::2]) == {"ready"}
    assert set(kinds[1::2]) <= {"ended", "moved"}


def test_a_knock_neither_ends_a_rest_nor_leaks_into_its_mean():
    values = np.full(600, 40.0) + 0.01 * np.random.default_rng(0).standard_normal(600)
    quiet = find_linear_rests(block_of(values))
    values[300:325] += 2.0
    (rest,) = find_linear_rests(block_of(values))
    assert rest.knocks == 1
    assert rest.end - rest.first == quiet[0].end - quiet[0].first
    assert rest.reading_mm == pytest.approx(40.0, abs=0.003)


def test_a_small_step_that_lasts_parts_two_rests():
    values = np.where(np.arange(600) < 300, 40.0, 40.1)
    rests = find_linear_rests(block_of(values), resolution_mm=0.01)
    assert levels(rests) == pytest.approx([40.0, 40.1], abs=1e-9)


@pytest.mark.parametrize(("noise_mm", "step_mm"), [(0.0, 0.01), (0.01, 0.0), (0.05, 0.0)])
def test_a_slide_is_no_rest(noise_mm: float, step_mm: float):
    for seed in range(10):
        block = signal(
            [10.0], hold_s=20.0, drift_mm_s=0.3, noise_mm=noise_mm, step_mm=step_mm, seed=seed
        )
        assert find_linear_rests(block, resolution_mm=step_mm) == []


def test_a_short_gap_only_lowers_the_count():
    block = signal([40.0], hold_s=5.0, noise_mm=0.01)
    keep = np.ones(len(block), dtype=bool)
    keep[200:220] = False
    (rest,) = find_linear_rests(cut(block, keep))
    (whole,) = find_linear_rests(block)
    assert rest.count == whole.count - 20


@pytest.mark.parametrize("missing", ["cut", "nan"])
def test_a_long_gap_ends_the_rest(missing: str):
    block = signal([40.0], hold_s=6.0, noise_mm=0.01)
    hole = slice(250, 280)
    if missing == "nan":
        values = block.linear_mm[:, 0].copy()
        values[hole] = np.nan
        block = block_of(values)
    else:
        keep = np.ones(len(block), dtype=bool)
        keep[hole] = False
        block = cut(block, keep)
    first, second = find_linear_rests(block)
    assert first.end_s < 2.5
    assert second.start_s > 2.8
    # Positions are those of the recording, samples without a reading counted.
    assert second.first == (280 if missing == "nan" else 250)


def test_another_channel_without_any_reading_does_no_harm():
    values = np.stack([np.full(400, np.nan), np.full(400, 12.5)], axis=1)
    (rest,) = find_linear_rests(block_of(values), channel=2, resolution_mm=0.01)
    assert rest.channel == 2
    assert find_linear_rests(block_of(values), channel=1) == []
    with pytest.raises(ValueError, match="channel 3"):
        find_linear_rests(block_of(values), channel=3)


def test_a_ready_comes_soon_and_is_never_early():
    for seed in range(50):
        block = signal([0.0, 40.0, 3.0], noise_mm=0.02, seed=seed)
        detector = LinearRestDetector(block.rate_hz)
        ready = [event for event in detector.push(block) if event.kind == "ready"]
        # Holds begin at 0, 3.3 and 6.6 s.
        assert len(ready) == 3
        for event, begin_s in zip(ready, (0.0, 3.3, 6.6), strict=True):
            assert 0.6 < event.at_s - begin_s < 1.3


def test_readings_cover_the_truth():
    """95 % of 1000 readings lie within 1.96 u, for white noise and steps together."""
    random = np.random.default_rng(5)
    inside = 0
    for _ in range(1000):
        true_mm = 40.0 + random.uniform(0.0, 1.0)
        values = true_mm + 0.004 * random.standard_normal(250)
        (rest,) = find_linear_rests(block_of(np.round(values / 0.01) * 0.01), resolution_mm=0.01)
        inside += abs(rest.reading_mm - true_mm) <= 1.96 * rest.u_mm
    assert inside >= 930
