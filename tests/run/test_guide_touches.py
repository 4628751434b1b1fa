"""Which rests of a hand-held linear sensor count as touches, and what the person is told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from knuckle.analysis.touches import TouchRules
from knuckle.errors import UsageError
from knuckle.model.guidance import Ask
from knuckle.model.linear import LinearBlock
from knuckle.model.wheel import Wheel
from knuckle.rests.linear import LinearRestDetector, LinearRestEvent
from knuckle.run.events import ButtonPressed, LinearSamples, LinkDown, LinkUp
from knuckle.run.guide_touches import TouchGuide
from knuckle.run.toe import WORDS
from knuckle.wire.messages import Cue
from rests.linear_signal import signal

LABELS = ("front", "rear") * 2
FREE = 95.0
RULES = TouchRules(1.2, 8.0, 10.0, 22.5)


def guide(labels: Sequence[str] = LABELS, rules: TouchRules = RULES) -> TouchGuide:
    return TouchGuide(
        labels, WORDS, rules=lambda: rules, channel=lambda: 1, resolution_mm=lambda: 0.01
    )


def walked(*levels: float, hold_s: float = 2.5) -> LinearBlock:
    """A caliper that stands at each level in turn."""
    return signal(levels, hold_s=hold_s, step_mm=0.01)


def fed(
    guide: TouchGuide, block: LinearBlock, piece: int = 20, buttons_s: Sequence[float] = ()
) -> list[Cue]:
    cues: list[Cue] = []
    buttons = list(buttons_s)
    for first in range(0, len(block), piece):
        part = block.part(first, first + piece)
        at_s = float(part.t_s[-1])
        while buttons and buttons[0] <= at_s:
            buttons.pop(0)
            cues += guide.take(ButtonPressed(Wheel.LF, at_s))
        cues += guide.take(LinearSamples(Wheel.LF, at_s, part))
        if guide.finished:
            break
    return cues


def taken(guide: TouchGuide) -> list[tuple[str, float]]:
    assert guide.sequence is not None
    return [(mark.label, round(mark.reading_mm, 2)) for mark in guide.sequence.marks]


def test_two_pairs_with_a_sensor_that_hangs_free_between() -> None:
    made = guide()
    cues = fed(made, walked(FREE, 62.0, FREE, 60.0, FREE, 62.1, FREE, 60.1))
    assert taken(made) == [("front", 62.0), ("rear", 60.0), ("front", 62.1), ("rear", 60.1)]
    assert cues == [Cue.HOLD_STILL, Cue.TAKEN] * 4 + [Cue.FINISHED]
    assert made.guidance.ask is Ask.DONE


def test_a_caliper_pushed_home_between() -> None:
    made = guide()
    fed(made, walked(0.0, 62.0, 0.0, 60.0, 0.0, 62.1, 3.0, 60.1))
    assert [label for label, _ in taken(made)] == list(LABELS)


def test_equal_distances_are_told_apart_by_lifting_off() -> None:
    """Zero toe: the sensor reads the same at both places."""
    made = guide()
    fed(made, walked(FREE, 61.0, FREE, 61.0, FREE, 61.0, FREE, 61.0))
    assert [reading for _, reading in taken(made)] == [61.0] * 4
    stays = guide()
    fed(stays, walked(FREE, 61.0, 60.5, 61.0, 60.0))
    assert taken(stays) == [("front", 61.0)]
    assert stays.guidance.words == "Lift off first"


def test_a_short_pause_is_no_touch() -> None:
    made = guide()
    fed(made, signal([FREE, 62.0, FREE, 60.0], hold_s=0.9, step_mm=0.01))
    assert taken(made) == []


def test_a_free_sensor_is_found_out_by_the_next_touch() -> None:
    """It moved when the program began, so its first rest is not known for what it is."""
    moving = signal([80.0, FREE, 62.0, FREE, 60.0, FREE, 62.1, FREE, 60.1], step_mm=0.01)
    made = guide()
    fed(made, moving.part(200, len(moving)))
    assert taken(made) == [("front", 62.0), ("rear", 60.0), ("front", 62.1), ("rear", 60.1)]
    assert "hanging free" in made.remarks()[0]


def test_what_is_far_from_the_rim_is_left_out() -> None:
    made = guide()
    fed(made, walked(FREE, 62.0, FREE, 60.0, 20.0, 75.0, FREE))
    assert taken(made) == [("front", 62.0), ("rear", 60.0), ("front", 75.0)]
    made = guide()
    fed(made, walked(FREE, 62.0, FREE, 60.0, 20.0))
    assert taken(made) == [("front", 62.0), ("rear", 60.0)]
    assert made.guidance.words == "Not the rim"


def test_the_button_takes_the_last_one_back() -> None:
    made = guide()
    block = walked(FREE, 62.0, FREE, 60.0, FREE, 59.0, FREE, 62.1, FREE, 60.1)
    # The second touch stands from 9.9 to 12.4 s; the button is pressed while it is held.
    cues = fed(made, block, buttons_s=[12.0])
    assert taken(made) == [("front", 62.0), ("rear", 59.0), ("front", 62.1), ("rear", 60.1)]
    assert Cue.GO_BACK in cues
    assert made.remarks() == ["Taken back by the button: rear once more."]


def test_the_button_before_the_first_touch_does_no_harm() -> None:
    made = guide()
    assert made.take(ButtonPressed(Wheel.LF, 0.0)) == []
    assert Cue.GO_BACK not in fed(made, walked(FREE, 62.0), buttons_s=[1.0])


class Sliding(LinearRestDetector):
    """Finds that the rest of a second touch was none after all."""

    def push(self, block: LinearBlock) -> list[LinearRestEvent]:
        return [
            replace(event, kind="moved", rest=None)
            if event.kind == "ended" and 12.0 < event.at_s < 14.0
            else event
            for event in super().push(block)
        ]


def test_a_touch_that_slid_is_asked_for_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("knuckle.run.guide_touches.LinearRestDetector", Sliding)
    made = guide()
    # The second touch stands from 9.9 to 12.4 s.
    cues = fed(made, walked(FREE, 62.0, FREE, 60.0, FREE, 59.9, FREE))
    assert taken(made) == [("front", 62.0), ("rear", 59.9)]
    assert cues.count(Cue.TROUBLE) == 1
    assert made.remarks() == ["It slid after all, and is not counted: rear once more."]


def test_chunks_change_nothing() -> None:
    block = walked(FREE, 62.0, FREE, 60.0, FREE, 62.1, FREE, 60.1)
    marks = []
    for piece in (1, 7, 50, 333):
        made = guide()
        fed(made, block, piece)
        marks.append(taken(made))
    assert marks.count(marks[0]) == 4


def test_the_link_is_lost_and_comes_back() -> None:
    made = guide()
    block = walked(FREE, 62.0, FREE, 60.0)
    fed(made, block.part(0, 600))
    assert made.take(LinkDown(Wheel.LF, 6.0, UsageError("gone"))) == [Cue.LINK_LOST]
    assert made.guidance.ask is Ask.TROUBLE
    assert made.take(LinkUp(Wheel.LF, 7.0, 1.0)) == [Cue.LINK_BACK]
    fed(made, block.part(600, len(block)))
    assert [label for label, _ in taken(made)] == ["front", "rear"]


def test_progress_and_length_are_shown() -> None:
    made = guide()
    fed(made, walked(FREE, 62.0))
    assert [(mark.name, mark.taken, mark.wanted) for mark in made.guidance.places] == [
        ("front", 1, 2),
        ("rear", 0, 2),
    ]
    assert made.figure is not None
    assert (made.figure.value, made.figure.unit) == ("62.00", "mm")


def test_a_channel_that_is_not_there_is_told() -> None:
    made = TouchGuide(
        LABELS, WORDS, rules=lambda: RULES, channel=lambda: 2, resolution_mm=lambda: 0.01
    )
    with pytest.raises(UsageError, match="no linear channel 2"):
        fed(made, walked(FREE))
