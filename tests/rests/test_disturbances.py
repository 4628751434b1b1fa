"""Knocks, slips, drifts, gaps and hands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from knuckle.model.block import Block, concatenate
from knuckle.rests.detector import RestDetector, find_rests
from rests.driver_signal import Plan, record
from rests.hand_signal import held

ONE = Plan(
    targets_deg=(0.0,), rest_s=(10.0,), move_s=(), drift_dps=(0.0,), creep_deg=(),
    creep_tau_s=(), overshoot_deg=(),
)  # fmt: skip
FIVE = Plan(
    targets_deg=(0.0, 20.0, 0.0, -20.0, 0.0),
    rest_s=(5.0,) * 5,
    move_s=(3.0,) * 4,
    drift_dps=(0.0,) * 5,
    creep_deg=(0.0,) * 4,
    creep_tau_s=(0.5,) * 4,
    overshoot_deg=(0.0,) * 4,
)


@pytest.mark.parametrize("length_s", [0.05, 0.2, 0.5])
@pytest.mark.parametrize("knock_g", [0.03, 0.1, 1.0])
@pytest.mark.parametrize("has_gyro", [True, False])
def test_knock_neither_ends_nor_leaks(length_s: float, knock_g: float, has_gyro: bool) -> None:
    for seed in range(3):
        plan = replace(
            ONE,
            seed=seed,
            knocks_s=(3.0, 6.2),
            knock_g=knock_g,
            knock_length_s=length_s,
            has_gyro=has_gyro,
        )
        block, (truth,) = record(plan)
        (rest,) = find_rests(block)
        assert rest.end_s - rest.start_s > 9.5
        sigma = np.sqrt(np.diag(rest.accel_cov_g2))
        assert np.all(np.abs(rest.accel_g - truth.up) < 4.5 * sigma)
        if knock_g >= 0.1 and length_s >= 0.2:
            assert rest.knocks == 2
            assert rest.count < 960


def test_door_slammed_every_second_is_still_one_rest() -> None:
    plan = replace(ONE, knocks_s=tuple(np.arange(1.5, 9.0, 1.0)), knock_length_s=0.3)
    block, _ = record(plan)
    (rest,) = find_rests(block)
    assert rest.knocks >= 6
    assert rest.duration_s > 9.0


@pytest.mark.parametrize("slip_deg", [0.3, 1.0, 5.0])
@pytest.mark.parametrize("has_gyro", [True, False])
@pytest.mark.parametrize("with_knock", [True, False])
def test_slip_ends_the_rest(slip_deg: float, has_gyro: bool, with_knock: bool) -> None:
    for seed in range(4):
        plan = replace(
            ONE,
            seed=seed,
            slips=((5.0, slip_deg),),
            has_gyro=has_gyro,
            knocks_s=(4.95,) if with_knock else (),
        )
        block, truths = record(plan)
        rests = find_rests(block)
        assert len(rests) == 2, seed
        for rest, truth in zip(rests, truths, strict=True):
            sigma = np.sqrt(np.diag(rest.accel_cov_g2))
            assert np.all(np.abs(rest.accel_g - truth.up) < 5.0 * sigma + 0.1e-3)


@pytest.mark.parametrize("rate_dps", [0.1, -0.15, 0.4])
@pytest.mark.parametrize("which", range(5))
def test_drift_of_a_tenth_is_no_rest(rate_dps: float, which: int) -> None:
    drift = [0.0] * 5
    drift[which] = rate_dps
    block, truths = record(replace(FIVE, drift_dps=tuple(drift), seed=which))
    detector = RestDetector(100.0, True)
    detector.push(block)
    detector.finish()
    found = [
        [t.start_s - 0.5 <= r.start_s <= t.end_s for t in truths].index(True)
        for r in detector.rests()
    ]
    assert found == [i for i in range(5) if i != which]
    assert any("drifted" in d.reason for d in detector.dropped)


@pytest.mark.parametrize("rate_dps", [0.01, -0.01])
def test_drift_of_a_hundredth_is_a_rest(rate_dps: float) -> None:
    for which in range(5):
        drift = [0.0] * 5
        drift[which] = rate_dps
        block, _ = record(replace(FIVE, drift_dps=tuple(drift), seed=which))
        assert len(find_rests(block)) == 5


@pytest.mark.parametrize("has_gyro", [True, False])
@pytest.mark.parametrize(("rate_dps", "part"), [(0.1, 0.35), (0.2, 0.35), (0.5, 0.25), (1.5, 0.0)])
def test_recording_that_drifts_throughout(rate_dps: float, part: float, has_gyro: bool) -> None:
    """Nothing tells the gyro's bias here; gravity must."""
    kept_s = 0.0
    for seed in range(6):
        plan = replace(ONE, rest_s=(30.0,), drift_dps=(rate_dps,), has_gyro=has_gyro, seed=seed)
        block, _ = record(plan)
        detector = RestDetector(100.0, has_gyro)
        detector.push(block)
        detector.finish()
        kept_s += sum(r.duration_s for r in detector.rests())
        assert detector.dropped or not detector.rests()
    assert kept_s <= part * 6 * 30.0


def gapped(missing: int, at: int = 500) -> Block:
    """A rest with samples taken out, as the assembler marks it."""
    block, _ = record(ONE)
    before, after = block.part(0, at), block.part(at + missing, len(block))
    lost = after.lost_before.copy()
    lost[0] = missing
    long = missing / block.rate_hz > 0.25
    stretch = np.ones_like(after.stretch) if long else after.stretch
    return concatenate([before, replace(after, lost_before=lost, stretch=stretch)])


def test_short_gap_only_lowers_the_count() -> None:
    whole = find_rests(record(ONE)[0])[0]
    (rest,) = find_rests(gapped(25))
    assert rest.duration_s > 9.8
    assert 0 < whole.count - rest.count <= 35
    assert rest.end - rest.first == rest.count


def test_long_gap_and_restart_end_a_rest() -> None:
    block = gapped(26)
    first, second = find_rests(block)
    assert first.ended is True
    assert (first.stretch, second.stretch) == (0, 1)
    assert first.end <= 500 <= second.first
    shifted = replace(
        block.part(500, len(block)),
        stretch=np.full(len(block) - 500, 3, dtype=np.int64),
        t_s=block.t_s[500:] + 1.0,
    )
    assert len(find_rests(concatenate([block.part(0, 500), shifted]))) == 2


@pytest.mark.parametrize(
    ("sway_deg", "tremor_deg"), [(2.0, 0.3), (0.3, 0.1), (0.1, 0.05), (0.0, 0.05)]
)
@pytest.mark.parametrize("still_first_s", [0.0, 4.0])
def test_held_pod_is_never_at_rest(
    sway_deg: float, tremor_deg: float, still_first_s: float
) -> None:
    """Hand tremor is 7 to 11 Hz (common knowledge of physiology, no source)."""
    for noise in (0.5, 1.0, 2.0):
        for seed in range(3):
            block = held(
                15.0, sway_deg, tremor_deg, noise=noise, still_first_s=still_first_s, seed=seed
            )
            detector = RestDetector(100.0, True)
            events = detector.push(block) + detector.finish()
            assert not [e for e in events if e.kind == "ready" and e.at_s > still_first_s + 0.3]
            assert all(r.end_s <= still_first_s + 0.5 for r in detector.rests())


def test_held_pod_without_gyro() -> None:
    for seed in range(5):
        for sway_deg, tremor_deg in ((2.0, 0.3), (0.5, 0.15)):
            assert find_rests(held(15.0, sway_deg, tremor_deg, has_gyro=False, seed=seed)) == []
