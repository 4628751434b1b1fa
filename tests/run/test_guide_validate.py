"""The guide through a validation, event by event."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from knuckle.agreement.design import Design, steps_of
from knuckle.agreement.reference import Reference, ReferenceKind, SineBar
from knuckle.cli.validate_reference import reader
from knuckle.errors import UsageError
from knuckle.links.schemes import open_link
from knuckle.model.block import Block
from knuckle.model.rest import Rest
from knuckle.model.wheel import Wheel
from knuckle.run.events import RestEnded, RestReady, Samples, StillnessChanged
from knuckle.run.guide_validate import ValidateGuide
from knuckle.run.validation_facts import Plan
from knuckle.wire.messages import Cue

GAUGE = Reference(ReferenceKind.GAUGE, 0.05, 0.0, 0.05, 0.0)
RATE = 50.0


class Bench:
    """A guide, and a pod that is laid down where the test says."""

    def __init__(self, design: Design, **more: object) -> None:
        plan = Plan(GAUGE, steps_of(design, -4.0, 4.0, angles=3, seatings=3, **more), 0.2)
        self.guide = ValidateGuide(plan, reader(None))
        self.now_s = 0.0
        self.cues: list[Cue] = []

    def samples(self, up: np.ndarray, rate_dps: np.ndarray, length_s: float) -> None:
        n = int(length_s * RATE)
        t = self.now_s + np.arange(n) / RATE
        self.now_s = float(t[-1]) + 1.0 / RATE
        for part in np.array_split(np.arange(n), max(1, n // 5)):
            block = Block(
                rate_hz=RATE,
                t_s=t[part],
                accel_g=np.tile(up, (len(part), 1)),
                gyro_dps=np.tile(rate_dps, (len(part), 1)),
                temp_c=None,
                lost_before=np.zeros(len(part), dtype=np.int64),
                stretch=np.zeros(len(part), dtype=np.int64),
                clipped=np.zeros(len(part), dtype=bool),
                linear_mm=None,
            )
            self.cues += self.guide.take(Samples(Wheel.LF, 0.0, block))

    def rest(self, deg: float, length_s: float = 4.0) -> None:
        """Stand still at an angle; the rest is known after a second."""
        angle = np.radians(deg)
        up = np.array([0.0, -np.sin(angle), np.cos(angle)])
        start_s = self.now_s
        self.cues += self.guide.take(StillnessChanged(Wheel.LF, 0.0, "still"))
        self.samples(up, np.zeros(3), 1.0)
        rest = Rest(
            *(start_s, self.now_s, 0, 50, 0, 50, np.full(3, 50.0), up, np.eye(3) * 1e-8),
            *(np.zeros(3), np.eye(3) * 1e-6, None, None, None, False, 0, False),
        )
        self.cues += self.guide.take(RestReady(Wheel.LF, 0.0, self.now_s, rest))
        self.samples(up, np.zeros(3), length_s - 1.0)
        self.cues += self.guide.take(RestEnded(Wheel.LF, 0.0, self.now_s, rest))

    def handle(self, turn_deg: float = 0.0) -> None:
        """Take the pod off, lean it over, turn it about the vertical."""
        self.cues += self.guide.take(StillnessChanged(Wheel.LF, 0.0, "moving"))
        self.samples(np.array([0.0, 0.0, 1.0]), np.array([0.0, 0.0, turn_deg / 2.0]), 2.0)
        self.samples(np.array([0.0, 0.6, 0.8]), np.zeros(3), 1.0)

    def heard(self) -> Iterator[Cue]:
        """Yield the cues since the last time."""
        told, self.cues = self.cues, []
        yield from told


def test_a_typing_error_is_refused_in_words_and_loses_nothing() -> None:
    bench = Bench(Design.LINEAR)
    bench.rest(-4.1)
    assert list(bench.heard()) == [Cue.HOLD_STILL, Cue.TAKEN]
    assert bench.guide.question == "Reading 1 of 3: what does the reference show, deg?"
    with pytest.raises(UsageError, match="the letter 'o'"):
        bench.guide.answer("-4.o5")
    assert bench.guide.question is not None
    assert bench.guide.answer("-4,05") == []
    assert [r.value_deg for r in bench.guide.typed] == [-4.05]
    assert bench.guide.question is None
    assert bench.guide.guidance.words == "Set about +0.0 deg, pod on anew"


def test_a_wrong_sign_is_asked_again_and_taken_if_it_is_meant() -> None:
    bench = Bench(Design.LINEAR)
    bench.rest(-4.1)
    with pytest.raises(UsageError, match="from what the pod reads") as refused:
        bench.guide.answer("4.05")
    assert "sign" in refused.value.cause
    bench.guide.answer("4.05")
    assert bench.guide.typed[0].value_deg == 4.05


def test_a_pod_that_was_not_handled_is_not_taken_twice() -> None:
    bench = Bench(Design.REPEAT)
    bench.rest(0.2)
    bench.guide.answer("0.2")
    list(bench.heard())
    bench.cues += bench.guide.take(StillnessChanged(Wheel.LF, 0.0, "moving"))
    bench.rest(0.2)
    assert list(bench.heard()) == [Cue.TROUBLE]
    assert bench.guide.guidance.words.startswith("Not moved since")
    bench.handle()
    bench.rest(0.21)
    # Neither the angle nor the reference was touched: nothing is asked.
    assert Cue.TAKEN in list(bench.heard())
    assert bench.guide.question is None
    assert len(bench.guide.taken) == 2


def test_a_pod_that_should_be_turned_must_be() -> None:
    bench = Bench(Design.REVERSAL)
    bench.rest(0.3)
    bench.guide.answer("0.3")
    assert bench.guide.guidance.words == "Put the pod on turned end for end"
    bench.handle()
    list(bench.heard())
    bench.rest(0.3)
    assert list(bench.heard()) == [Cue.TROUBLE]
    assert "half a turn" in bench.guide.guidance.words
    bench.handle(turn_deg=178.0)
    bench.rest(-0.3)
    assert Cue.TAKEN in list(bench.heard())
    assert bench.guide.guidance.words.endswith("the pod as at first")


def test_again_leaves_a_reading_out() -> None:
    bench = Bench(Design.LINEAR)
    bench.rest(-4.1)
    bench.guide.answer(" Again ")
    assert bench.guide.taken == ()
    bench.handle()
    bench.rest(-4.0)
    bench.guide.answer("-4")
    assert len(bench.guide.taken) == 1


def test_a_pod_on_its_face_is_not_read() -> None:
    bench = Bench(Design.LINEAR)
    bench.rest(85.0)
    assert list(bench.heard()) == [Cue.TROUBLE]
    assert "lies on its face" in bench.guide.guidance.words


def test_the_last_reading_ends_it() -> None:
    bench = Bench(Design.LINEAR)
    for deg in (-4.0, 0.1, 4.2):
        bench.rest(deg)
        list(bench.heard())
        last = bench.guide.answer(f"{deg}")
        bench.handle()
    assert last == [Cue.FINISHED]
    assert bench.guide.finished


def test_stacks_are_read_as_heights() -> None:
    read = reader(SineBar(100.0, 0.02, 0.01))
    assert read("8.7156", 0).value_deg == pytest.approx(5.0, abs=1e-4)
    assert read("0/8.7156mm", 0).value_deg == pytest.approx(-5.0, abs=1e-4)
    assert read("0.5in/2.5mm", 0).value_deg == pytest.approx(5.855, abs=1e-3)
    with pytest.raises(UsageError, match="length or more"):
        read("100", 0)
    with pytest.raises(UsageError, match="below zero"):
        read("-8", 0)
    with pytest.raises(UsageError, match="the letter 'o'"):
        read("1o.5", 0)
    with pytest.raises(UsageError, match="60 deg"):
        reader(None)("70", 0)


def test_a_simulated_link_of_another_kind_types_nothing() -> None:
    assert open_link("sim:", wheel=Wheel.LF, purpose="watch").typed() == ()


def test_the_stacks_of_a_sine_bar_are_named() -> None:
    bar = SineBar(100.0, 0.05, 0.02)
    steps = steps_of(Design.LINEAR, -5.0, 5.0, angles=3)
    guide = ValidateGuide(Plan(bar.reference(surface_deg=0.01), steps, 0.2, bar), reader(bar))
    assert "stacks 8.7 mm apart" in guide.guidance.words
