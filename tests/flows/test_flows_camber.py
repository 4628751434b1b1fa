"""Camber as it happens: one wheel, a walk round the car, and what must never be taken."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from flows.live_run import LiveRun, live
from knuckle.analysis.request import Request
from knuckle.errors import UsageError
from knuckle.model.block import Block
from knuckle.model.guidance import Ask
from knuckle.model.result import Quantity
from knuckle.model.wheel import Wheel
from knuckle.report.export import export_capture
from knuckle.run.events import RunEvent
from knuckle.run.guide_camber import CamberGuide
from knuckle.run.parts import Part, from_facts, part_of
from knuckle.run.readings import Readings
from knuckle.run.remeasure import measure_recording
from knuckle.run.replay import read_recording
from knuckle.store.database import Store
from knuckle.store.rows import RunState
from knuckle.wire.messages import Cue, TextHeader, TextSample

RATE_HZ = 100.0


ALMOST_CERTAIN = 1.5
"""Of the half-width of a 95 % interval: one seed in 300 is further off by chance."""


def assert_truth_inside(run: LiveRun) -> None:
    for outcome in run.report.outcomes:
        assert outcome.refused is None
        assert run.pod is not None
        true_deg = run.pod.scenario.truth(Wheel(outcome.wheel)).camber_deg
        result = outcome.results[Quantity.CAMBER]
        assert abs(result.value - true_deg) <= ALMOST_CERTAIN * result.expanded_uncertainty


@pytest.mark.parametrize("wheel", list(Wheel))
def test_one_wheel(wheel: Wheel, tmp_path: Path) -> None:
    run = live(tmp_path, "sim:demo?seed=2&transport=memory", wheel.value, "camber")
    assert run.report.complete
    assert run.report.state is RunState.FINISHED
    assert [outcome.wheel for outcome in run.report.outcomes] == [wheel.value]
    assert run.heard.cues == [Cue.HOLD_STILL, Cue.TAKEN, Cue.FINISHED]
    assert_truth_inside(run)


@pytest.mark.parametrize("order", ["LF,RF,LR,RR", "RR,LF", "LF,LR,RR,RF"])
def test_all_wheels_in_the_order_asked_for(order: str, tmp_path: Path) -> None:
    run = live(tmp_path, "sim:demo?seed=2&transport=memory", order, "camber")
    assert ",".join(outcome.wheel for outcome in run.report.outcomes) == order
    assert run.report.complete
    assert_truth_inside(run)
    assert run.heard.cues.count(Cue.TAKEN) == len(order.split(","))
    assert run.heard.cues[-1] is Cue.FINISHED


def test_nothing_is_taken_while_the_pod_is_handled(tmp_path: Path) -> None:
    run = live(tmp_path, "sim:demo?seed=2&transport=memory", "LF,RF,LR,RR", "camber")
    assert run.pod is not None
    stays = run.pod.truth().rests
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        parts = from_facts(store.run(run.report.run or 0).facts)
    assert len(parts) == len(stays) == 4
    for part, stay, outcome in zip(parts, stays, run.report.outcomes, strict=True):
        assert part.wheel is stay.wheel
        for rest in outcome.rests:
            # Pod time and the script's differ by the pod's start only: far less than 0.3 s.
            assert rest.start_s >= stay.start_s - 0.3
            assert rest.end_s <= stay.end_s + 0.3


def test_each_wheel_of_a_walk_is_replayed_to_the_last_digit(tmp_path: Path) -> None:
    run = live(tmp_path, "sim:demo?seed=5&transport=memory", "LF,RF,LR,RR", "camber")
    capture = tmp_path / "walk.kncap"
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        export_capture(store, run.report.run or 0, capture)
    recording = read_recording(capture)
    for outcome in run.report.outcomes:
        wheel = Wheel(outcome.wheel)
        part = part_of(recording.parts, wheel)
        again = measure_recording("camber", recording, Request(wheel), part=part)
        assert repr(again) == repr(outcome)
    replayed = live(tmp_path, f"file:{capture}", "LF,RF,LR,RR", "camber")
    assert repr(replayed.report.outcomes) == repr(run.report.outcomes)


def test_a_wheel_that_the_recording_does_not_hold() -> None:
    parts = [Part(Wheel.LF, 1.0, 2.0), Part(Wheel.RF, 3.0)]
    with pytest.raises(UsageError, match="LF, RF"):
        part_of(parts, Wheel.RR)
    assert part_of([], Wheel.RR) is None
    assert from_facts({"parts": [{"wheel": "XX"}]}) == []


def test_a_lost_link_is_heard(tmp_path: Path) -> None:
    run = live(tmp_path, "sim:disconnect?seed=2&transport=memory", "LF,RF,LR,RR", "camber")
    assert run.heard.cues.index(Cue.LINK_LOST) < run.heard.cues.index(Cue.LINK_BACK)
    assert_truth_inside(run)


def test_without_gyro(tmp_path: Path) -> None:
    run = live(tmp_path, "sim:no_gyro?seed=2&transport=memory", "LF,RF,LR,RR", "camber")
    assert run.report.complete
    assert_truth_inside(run)


# ---- the guide alone, on made-up motion


class Motion:
    """Samples of a pod, 100 a second, with noise; fed to a guide as a run would."""

    def __init__(self, guide: CamberGuide) -> None:
        self.guide = guide
        self.cues: list[Cue] = []
        self._readings = Readings(Wheel.LF)
        self._rng = np.random.default_rng(5)
        self._count = 0
        names = ("t_s", "ax_g", "ay_g", "az_g", "gx_dps", "gy_dps", "gz_dps")
        self._readings.push([TextHeader(names, ())], 0.0)

    def _feed(self, accel_g: np.ndarray, gyro_dps: np.ndarray) -> None:
        for first in range(0, len(accel_g), 10):
            samples = []
            for a, g in zip(accel_g[first : first + 10], gyro_dps[first : first + 10], strict=True):
                noisy = (*(a + 1e-3 * self._rng.standard_normal(3)),)
                turning = (*(g + 0.03 * self._rng.standard_normal(3)),)
                samples.append(TextSample((self._count / RATE_HZ, *noisy, *turning)))
                self._count += 1
            for event in self._readings.push(samples, self._count / RATE_HZ):
                self.cues += self.guide.take(event)

    def still(self, seconds: float, camber_deg: float = 0.0) -> None:
        n = round(seconds * RATE_HZ)
        lean = np.radians(camber_deg)
        up = np.array([0.0, -np.sin(lean), np.cos(lean)])
        self._feed(np.tile(up, (n, 1)), np.zeros((n, 3)))

    def lying(self, seconds: float) -> None:
        n = round(seconds * RATE_HZ)
        self._feed(np.tile([0.0, 1.0, 0.0], (n, 1)), np.zeros((n, 3)))

    def carried(self, seconds: float) -> None:
        """Swing to 40 deg and back about X, with a hand's tremor."""
        n = round(seconds * RATE_HZ)
        turn = np.radians(40.0) * np.sin(np.pi * np.arange(n) / n)
        rate = np.degrees(np.gradient(turn)) * RATE_HZ
        up = np.stack([np.zeros(n), np.sin(turn), np.cos(turn)], axis=1)
        up += 0.02 * self._rng.standard_normal((n, 3))
        gyro = np.stack([rate, np.zeros(n), np.zeros(n)], axis=1)
        self._feed(up, gyro + 2.0 * self._rng.standard_normal((n, 3)))

    def held(self, seconds: float) -> None:
        """Held against a wheel by hand: sways slowly by 0.2 deg, trembles at 9 Hz by 0.02 deg.

        Frequency of a hand's tremor: 8 to 12 Hz, common practice, no source; sizes from memory.
        """
        t_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
        sway, tremor = 2.0 * np.pi * 0.4, 2.0 * np.pi * 9.0
        turn = np.radians(0.2 * np.sin(sway * t_s) + 0.02 * np.sin(tremor * t_s))
        rate = np.degrees(np.gradient(turn)) * RATE_HZ
        up = np.stack([np.zeros(t_s.size), np.sin(turn), np.cos(turn)], axis=1)
        self._feed(up, np.stack([rate, np.zeros(t_s.size), np.zeros(t_s.size)], axis=1))

    def nudged(self, seconds: float) -> None:
        """Shake where it hangs, as when somebody leans on the car."""
        n = round(seconds * RATE_HZ)
        up = np.tile([0.0, 0.0, 1.0], (n, 1)) + 0.05 * self._rng.standard_normal((n, 3))
        self._feed(up, 3.0 * self._rng.standard_normal((n, 3)))


def test_a_nudge_does_not_lead_to_the_next_wheel() -> None:
    guide = CamberGuide([Wheel.LF, Wheel.RF])
    motion = Motion(guide)
    motion.still(3.0)
    assert motion.cues == [Cue.HOLD_STILL, Cue.TAKEN]
    motion.nudged(1.5)
    motion.still(4.0)
    assert not guide.finished
    assert motion.cues == [Cue.HOLD_STILL, Cue.TAKEN]
    assert "right front" in guide.guidance.words
    motion.carried(4.0)
    motion.still(3.0, camber_deg=-1.0)
    assert guide.finished
    assert motion.cues[-1] is Cue.FINISHED
    first, second = guide.parts
    assert (first.wheel, second.wheel) == (Wheel.LF, Wheel.RF)
    assert first.to_s <= second.from_s
    assert first.to_s > 8.0, "the second rest on the same wheel is a reading of it as well"


def test_a_pod_that_lies_is_never_taken() -> None:
    guide = CamberGuide([Wheel.LF])
    motion = Motion(guide)
    motion.lying(5.0)
    assert guide.parts == ()
    assert guide.guidance.ask is Ask.TROUBLE
    assert motion.cues == [Cue.TROUBLE]
    motion.carried(3.0)
    motion.still(3.0)
    assert guide.finished


def test_the_cue_comes_within_one_and_a_half_seconds() -> None:
    guide = CamberGuide([Wheel.LF])
    motion = Motion(guide)
    motion.carried(2.0)
    motion.still(1.4, camber_deg=-1.0)
    assert motion.cues == [Cue.HOLD_STILL, Cue.TAKEN]
    assert guide.guidance.ask is Ask.TAKEN
    motion.still(1.0, camber_deg=-1.0)
    assert guide.finished, "the last reading goes on until it is good enough"


def test_a_hand_that_only_pauses_is_not_taken() -> None:
    guide = CamberGuide([Wheel.LF])
    motion = Motion(guide)
    motion.carried(2.0)
    motion.still(0.9)
    motion.carried(2.0)
    assert guide.parts == ()
    assert Cue.FINISHED not in motion.cues


def test_a_hand_that_holds_the_pod_as_still_as_it_can_is_not_taken() -> None:
    guide = CamberGuide([Wheel.LF])
    motion = Motion(guide)
    motion.carried(2.0)
    motion.held(10.0)
    motion.carried(1.0)
    assert guide.parts == ()
    assert Cue.FINISHED not in motion.cues


def test_events_of_no_use_change_nothing() -> None:
    guide = CamberGuide([Wheel.LF])
    before = guide.guidance
    assert guide.take(RunEvent(Wheel.LF, 0.0)) == []
    assert replace(guide.guidance) == before


def test_parts_are_cut_by_pod_time() -> None:
    t_s = np.arange(0.0, 1.0, 0.1)
    block = Block(
        t_s,
        np.zeros((10, 3)),
        None,
        None,
        None,
        np.zeros(10, int),
        np.zeros(10, int),
        np.zeros(10, bool),
        10.0,
    )
    assert np.allclose(Part(Wheel.LF, 0.25, 0.5).cut(block).t_s, [0.3, 0.4])
    assert len(Part(Wheel.LF, 0.75).cut(block)) == 2
