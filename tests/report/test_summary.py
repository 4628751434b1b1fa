from __future__ import annotations

from dataclasses import replace
from datetime import timedelta, timezone
from pathlib import Path

import pytest

from knuckle.model.result import Outcome, Quantity
from knuckle.model.wheel import Wheel
from knuckle.report.summary import detail_lines, list_lines, local_time
from knuckle.store.database import Store
from knuckle.store.rows import RunState
from report.made_sweep import made_outcome, refused
from report.stored_sweep import STARTED, fill

ZONE = timezone(timedelta(hours=1))


@pytest.fixture
def store(tmp_path: Path):
    with Store(tmp_path / "runs.sqlite3", utc_now=lambda: STARTED) as opened:
        yield opened


def test_list_fits_80_columns(store: Store):
    fill(store)
    run = store.begin_run("camber", ["LF", "RF"], started_utc=STARTED)
    for wheel in ("LF", "RF"):
        camber = replace(made_outcome().results[Quantity.CAMBER], value=-9.8765)
        store.add_result(
            run, Outcome("camber", wheel, {Quantity.CAMBER: camber}), method="camber-1"
        )
    store.add_note(run, "a note that is much longer than a line of a terminal, " * 3)
    store.finish_run(run)
    run = store.begin_run("sweep", ["RF"], started_utc=STARTED)
    store.add_result(run, refused(made_outcome(Wheel.RF)), method="sweep-1")
    store.finish_run(run, RunState.REFUSED)
    store.begin_run("watch", [None], started_utc=STARTED)
    lines = list(list_lines(store.runs(), width=80, zone=ZONE))
    assert all(len(line) <= 80 for line in lines)
    assert lines == [
        " run  when              kind   wh state       camber/deg  caster/deg     SAI/deg",
        "   4  2026-03-01 13:00  watch     open",
        "   3  2026-03-01 13:00  sweep  RF refused",
        "      refused: SWEEP_TOO_SMALL",
        "   2  2026-03-01 13:00  camber LF finished    -9.88±0.08",
        "                               RF             -9.88±0.08",
        "      note: a note that is much longer than a line of a terminal, a note that...",
        "   1  2026-03-01 13:00  sweep  LF finished    -1.00±0.08   5.00±0.31  12.00±0.42",
        "      note: before the bushes were changed",
    ]
    whole = list(list_lines(store.runs(), plus_minus="+/-"))
    assert any(len(line) > 100 and line.startswith("      note: a note") for line in whole)
    assert "-1.00+/-0.08" in whole[-2]


def test_detail_says_all(store: Store):
    run = fill(store)
    store.add_result(run, replace(made_outcome(), warnings=()), method="sweep-2")
    text = "\n".join(detail_lines(store.run(run), zone=ZONE))
    for words in (
        "Run 1: sweep, finished",
        "started  2026-03-01 13:00:00 +0100",
        "seed = 7",
        "Stream 0: LF, sim:car",
        "pod 0001020304050607: 'left pod', bench, firmware 1.2.3",
        "Result for LF by sweep-1, knuckle 0.1.0",
        "caster 5.00 ± 0.31 deg, SAI 12.00 ± 0.42 deg\n  (a later result",
        "Caster                       +5.00 ± 0.31 deg",
        "holds relative to gravity, as swept, on its springs",
        "0.13 deg  64%  mount: spin axis against the pod",
        "+19.49",
        "Note of 2026-03-01 13:00: before the bushes were changed",
    ):
        assert words in text
    assert all(len(line) <= 80 for line in text.splitlines())


def test_refused_and_interrupted_are_told(store: Store):
    run = store.begin_run("sweep", ["RF"])
    store.add_result(run, refused(made_outcome()), method="sweep-1")
    store.finish_run(run, RunState.INTERRUPTED)
    text = "\n".join(detail_lines(store.run(run)))
    assert "No result: SWEEP_TOO_SMALL" in text
    assert "The wheel turned by 6 deg only." in text
    assert "everything captured until then is kept" in text
    assert "straight" in text


def test_local_time():
    assert local_time("2026-07-01T12:00:00.000+00:00", ZONE) == "2026-07-01 13:00"
    assert local_time(None) == "unknown"
    assert local_time("yesterday") == "yesterday"
