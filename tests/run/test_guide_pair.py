"""Two wheels' guides as one: what the driver hears, and when."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, cast

import pytest

from knuckle.errors import LinkLost
from knuckle.model.guidance import Ask, Guidance, PlaceMark
from knuckle.model.wheel import Wheel
from knuckle.run.events import Ended, Knocked, LinkDown, LinkUp, RunEvent
from knuckle.run.guide_pair import PairGuide
from knuckle.run.guide_sweep import SweepGuide
from knuckle.wire.messages import Cue

LOST = LinkLost("The cable is out.", "", "Plug it in.")


@dataclass
class OneWheel:
    """A wheel's guide that says what the test lets it say."""

    says: list[Cue] = field(default_factory=list)
    taken: bool = False
    finished: bool = False
    ask: Ask = Ask.MOVE
    counts: tuple[int, int, int] = (0, 0, 0)
    passed_s: float = 1.0
    steer_deg: float | None = 0.0
    camber_deg: float | None = -1.0

    def take(self, event: RunEvent) -> list[Cue]:
        said, self.says = self.says, []
        return said

    def confirm(self, rests: object) -> list[Cue]:
        return self.take(Knocked(Wheel.LF, 0.0, 0.0))

    def remarks(self) -> list[str]:
        return []

    @property
    def guidance(self) -> Guidance:
        names = ("straight", "left", "right")
        marks = (PlaceMark(n, c) for n, c in zip(names, self.counts, strict=True))
        return Guidance("Turn left, to 20 deg", self.ask, 20.0, tuple(marks))


@dataclass
class Car:
    """Both wheels and the guide of the pair."""

    left: OneWheel = field(default_factory=OneWheel)
    right: OneWheel = field(default_factory=OneWheel)

    def __post_init__(self) -> None:
        wheels = {Wheel.LF: self.left, Wheel.RF: self.right}
        self.guide = PairGuide(cast(dict[Wheel, SweepGuide], wheels))

    def say(self, wheel: Wheel, *cues: Cue, **changes: Any) -> list[Cue]:
        side = self.left if wheel is Wheel.LF else self.right
        side.says = list(cues)
        for name, value in changes.items():
            setattr(side, name, value)
        return self.guide.take(Knocked(wheel, 0.0, 0.0))


@pytest.fixture
def car() -> Car:
    return Car()


def both_taken(car: Car) -> None:
    assert car.say(Wheel.LF, Cue.TAKEN, taken=True) == []
    assert car.say(Wheel.RF, Cue.TAKEN, taken=True) == [Cue.TAKEN]


def test_taken_only_when_both_have_it(car: Car) -> None:
    assert car.say(Wheel.LF, Cue.HOLD_STILL, ask=Ask.HOLD) == [Cue.HOLD_STILL]
    assert car.say(Wheel.RF, Cue.HOLD_STILL, ask=Ask.HOLD) == [], "said once"
    assert car.say(Wheel.LF, Cue.TAKEN, taken=True) == []
    assert car.guide.guidance.words == "Keep still" and car.guide.guidance.ask is Ask.HOLD
    assert car.say(Wheel.LF, Cue.MOVE_ON) == [], "the right one has not got it yet"
    assert car.say(Wheel.RF, Cue.TAKEN, taken=True) == [Cue.TAKEN]
    assert car.guide.guidance.ask is Ask.TAKEN
    assert car.say(Wheel.RF, Cue.MOVE_ON) == [Cue.MOVE_ON]
    assert car.say(Wheel.LF) == [] and car.say(Wheel.RF) == []


def test_where_they_want_different_things_straight_ahead_comes_first(car: Car) -> None:
    both_taken(car)
    assert car.say(Wheel.LF, Cue.MOVE_ON) == []
    assert car.say(Wheel.RF, Cue.GO_BACK) == [Cue.GO_BACK]


def test_finished_when_both_are(car: Car) -> None:
    both_taken(car)
    assert car.say(Wheel.LF, Cue.FINISHED, finished=True) == []
    assert not car.guide.finished
    assert car.say(Wheel.RF, Cue.MOVE_ON) == [Cue.MOVE_ON], "what the right one still lacks"
    for wheel in Wheel.LF, Wheel.RF:
        car.say(wheel, taken=False)
    both_taken(car)
    car.say(Wheel.LF, Cue.FINISHED)
    assert car.say(Wheel.RF, Cue.FINISHED, finished=True) == [Cue.FINISHED]
    assert car.guide.finished and car.guide.guidance.ask is Ask.DONE


def test_a_drift_of_one_calls_the_driver_back_once(car: Car) -> None:
    both_taken(car)
    back = [Cue.TROUBLE, Cue.GO_BACK]
    assert car.say(Wheel.LF, *back, taken=False) == back
    assert car.say(Wheel.RF, *back, taken=False) == []
    both_taken(car)
    assert car.say(Wheel.RF, *back, taken=False) == back, "the next one is told again"
    # The left one still has it: the right one's new rest is enough for both.
    assert car.say(Wheel.RF, Cue.TAKEN, taken=True) == [Cue.TAKEN]


def test_leaving_early_leaves_it_open(car: Car) -> None:
    car.say(Wheel.LF, Cue.TAKEN, taken=True)
    car.say(Wheel.LF, taken=False)
    assert car.say(Wheel.RF, Cue.TAKEN, taken=True) == [], "they did not have it together"


def test_nothing_is_taken_while_a_link_is_down(car: Car) -> None:
    car.left.says = [Cue.LINK_LOST]
    assert car.guide.take(LinkDown(Wheel.LF, 1.0, LOST)) == [Cue.LINK_LOST]
    assert car.guide.guidance.words == "Left pod's link lost: keep still"
    car.say(Wheel.LF, Cue.TAKEN, taken=True)
    assert car.say(Wheel.RF, Cue.TAKEN, taken=True) == []
    car.right.says = [Cue.LINK_LOST]
    car.guide.take(LinkDown(Wheel.RF, 1.0, LOST))
    assert car.guide.guidance.words == "Both pods' link lost: keep still"
    for wheel in (Wheel.LF, Wheel.RF):
        side = car.left if wheel is Wheel.LF else car.right
        side.says = [Cue.LINK_BACK]
        car.guide.take(LinkUp(wheel, 4.0, 3.0))
    assert car.guide.guidance.ask is Ask.TAKEN


def test_one_gone_for_good_leaves_the_other_to_lead(car: Car) -> None:
    car.say(Wheel.RF, Cue.TAKEN, taken=True)
    assert car.guide.take(Ended(Wheel.LF, 9.0, LOST)) == [Cue.TAKEN]
    assert car.guide.remarks() == [
        "The left pod is gone for good; the sweep goes on with the other."
    ]
    assert car.guide.wheel is Wheel.RF
    assert car.say(Wheel.RF, Cue.FINISHED, finished=True) == [Cue.FINISHED]
    assert car.guide.finished


def test_places_are_those_that_both_have(car: Car) -> None:
    car.left.counts, car.right.counts = (2, 1, 0), (1, 1, 1)
    assert [mark.taken for mark in car.guide.guidance.places] == [1, 1, 0]


def test_the_one_in_trouble_leads(car: Car) -> None:
    assert car.guide.wheel is Wheel.LF
    car.right.ask = Ask.TROUBLE
    assert car.guide.wheel is Wheel.RF
