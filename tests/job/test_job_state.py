"""A job's state is a fold over its entries. No outside source: the rules are the program's own."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from knuckle.job.phases import CHECKLIST, Kind, Mark, Phase
from knuckle.job.state import JobState, fold
from knuckle.store.rows import JobEntryRow


def entries(*made: tuple[str, str] | tuple[str, str, dict[str, Any]]) -> list[JobEntryRow]:
    return [
        JobEntryRow(
            at,
            "2026-03-01T12:00:00+00:00",
            phase,
            kind,
            at if kind == "run" else None,
            *(more or ({},)),
        )
        for at, (phase, kind, *more) in enumerate(made)
    ]


READ = ("readings", "run")
TURN = ("adjust", "turned", {"wheel": "LF"})


def test_an_empty_job_begins_with_its_preparation():
    state = fold([])
    assert state == JobState()
    assert {phase: state.mark(phase) for phase in Phase} == dict.fromkeys(Phase, Mark.TO_DO)
    assert state.next_phase is Phase.PREPARATION
    assert state.round_words == "before"


def test_preparation_is_done_when_each_item_is_answered_or_skipped():
    answers = [
        ("preparation", "answer", {"item": item.name, "done": at % 2 == 0})
        for at, item in enumerate(CHECKLIST)
    ]
    assert fold(entries(*answers[:3])).mark(Phase.PREPARATION) is Mark.BEGUN
    state = fold(entries(*answers))
    assert state.mark(Phase.PREPARATION) is Mark.DONE
    assert state.next_phase is Phase.PADS


def test_a_later_answer_counts_and_the_earlier_stays_in_the_job():
    state = fold(
        entries(
            ("preparation", "answer", {"item": "fuel", "text": "full"}),
            ("preparation", "answer", {"item": "fuel", "text": "half"}),
        )
    )
    assert state.answers["fuel"].record["text"] == "half"


def test_any_phase_is_skipped_and_taken_up_again():
    skipped = [(phase.value, "skipped") for phase in Phase if phase is not Phase.CLOSE]
    state = fold(entries(*skipped))
    assert state.next_phase is Phase.CLOSE
    assert state.mark(Phase.PADS) is Mark.SKIPPED
    again = fold(entries(*skipped, ("pads", "heights", {"mm": {}})))
    assert again.mark(Phase.PADS) is Mark.DONE
    assert again.mark(Phase.STRINGS) is Mark.SKIPPED


def test_rounds_are_counted_by_turning_and_reading():
    state = fold(entries(READ, READ, TURN, TURN, READ, READ, TURN, READ, TURN))
    assert [entered.round for entered in state.readings] == [0, 0, 1, 1, 2]
    assert [entered.round for entered in state.turned] == [0, 0, 1, 2]
    assert state.round_words == "after 3"
    assert state.next_phase is not Phase.CLOSE


def test_reading_turning_rereading_and_close():
    before = [(p, "skipped") for p in ("preparation", "pads", "strings")]
    steps = entries(*before, READ, ("readings", "finished"), TURN, ("re-read", "run"))
    assert fold(steps[:4]).mark(Phase.READINGS) is Mark.BEGUN
    assert fold(steps[:5]).next_phase is Phase.ADJUST
    turned = fold(steps[:6])
    assert turned.next_phase is Phase.REREAD and turned.turned_since
    reread = fold(steps)
    assert reread.mark(Phase.REREAD) is Mark.BEGUN
    done = [*steps, *entries(("re-read", "finished"))]
    assert fold(done).next_phase is Phase.CLOSE
    # Something turned after that has to be read again.
    assert fold([*done, *entries(TURN)]).next_phase is Phase.REREAD
    closed = fold([*done, *entries(("close", "closed"))])
    assert closed.closed and closed.mark(Phase.CLOSE) is Mark.DONE


def test_pads_hold_for_readings_after_them_and_the_first_for_those_before():
    state = fold(
        entries(
            READ,
            ("pads", "heights"),
            READ,
            ("pads", "spans", {"deg": {"front": [0.1, 0.01]}}),
            ("pads", "heights"),
            READ,
        )
    )
    assert [state.pads_of(reading).sequence for reading in state.readings] == [1, 1, 4]
    assert state.strings_of(state.readings[0]) is None


def test_a_straightedge_counts_from_three_spans_on():
    spans = {name: [0.1, 0.01] for name in ("front", "rear", "left")}
    two = ("pads", "spans", {"deg": dict(list(spans.items())[:2])})
    begun = fold(entries(two))
    assert begun.mark(Phase.PADS) is Mark.BEGUN and begun.pads == () and begun.spans.sequence == 0
    whole = fold(entries(two, ("pads", "spans", {"deg": spans})))
    assert whole.mark(Phase.PADS) is Mark.DONE and whole.spans is None


def test_kinds_of_a_newer_program_are_passed_over():
    assert fold(entries(("pads", "hologram"), ("tyres", "run"))) == JobState()


@given(
    st.lists(
        st.tuples(st.sampled_from(list(Phase)), st.sampled_from(list(Kind))).map(
            lambda pair: (pair[0].value, pair[1].value, {"item": "fuel", "wheel": "LF"})
        ),
        max_size=30,
    )
)
@settings(max_examples=100, deadline=None)
def test_nothing_is_ever_lost(made: list[Any]):
    state = fold(entries(*made))
    assert (state.spans is not None) <= any(kind == "spans" for _, kind, _ in made)
    kept = [
        *state.pads,
        *state.strings,
        *state.readings,
        *state.advice,
        *state.turned,
        *state.notes,
    ]
    lists = {"heights", "offsets", "run", "advice", "turned", "note"}
    assert len(kept) == sum(kind in lists for _, kind, _ in made)
    rounds = [entered.round for entered in state.readings]
    assert rounds == sorted(rounds)
    assert isinstance(state.next_phase, Phase)
    assert all(isinstance(state.mark(phase), Mark) for phase in Phase)


def test_kinds_and_phases_are_those_of_the_document():
    text = (Path(__file__).parents[2] / "docs" / "store.md").read_text(encoding="utf-8")
    section = text.partition("## Entries of a job")[2].partition("\n## ")[0]
    rows = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    named = {kind for row in rows for kind in re.findall(r"`(\w+)`", row)}
    assert named - {"kind"} == set(Kind)
    assert all(phase in section for phase in Phase)
