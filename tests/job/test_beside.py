"""Two times and two sides of a car, and the conditions in which they differ."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from job.made_jobs import MadeJob, car_file
from knuckle.alignment.compare import Difference
from knuckle.job.beside import Times, compare_sides, compare_times
from knuckle.model.result import Quantity
from knuckle.store.database import Store


@pytest.fixture
def store(tmp_path: Path):
    with Store(tmp_path / "runs.sqlite3") as opened:
        yield opened


def answer(job: MadeJob, item: str, **values: float) -> None:
    job.enter("preparation", "answer", item=item, done=True, text="", values=values)


def times(job: MadeJob, which: str = "now") -> Times:
    return Times(job.view, job.store.jobs.entries(job.number), which)


def turned_job(store: Store, folder: Path) -> MadeJob:
    job = MadeJob(store, car_file(folder))
    job.camber("LF", -1.0)
    job.enter("adjust", "turned", wheel="LF", adjuster="camber shim", amount=-2, unit="mm")
    job.camber("LF", -1.4)
    return job


def test_before_and_after_share_the_pods_zero(store: Store, tmp_path: Path) -> None:
    job = turned_job(store, tmp_path)
    found = compare_times(times(job, "before"), times(job, "after"))
    row = next(r for r in found.rows if r.quantity is Quantity.CAMBER)
    assert row.difference.value == pytest.approx(-0.4)
    # Zero (0.1) cancels but for half a per cent, pads (0.1) wholly; noise (0.02) stays twice.
    left = math.hypot(0.02 * math.sqrt(2), 0.1 * math.sqrt(2 * 0.005))
    assert row.difference.standard_uncertainty == pytest.approx(left, rel=0.02)
    assert row.verdict is Difference.DIFFERS


def test_two_jobs_share_the_pod_and_not_the_floor(store: Store, tmp_path: Path) -> None:
    first = turned_job(store, tmp_path)
    store.jobs.add(first.number, "close", "closed", {})
    second = MadeJob(store, car_file(tmp_path))
    second.camber("LF", -1.45)
    found = compare_times(times(first), times(second))
    row = next(r for r in found.rows if r.quantity is Quantity.CAMBER)
    assert row.difference.value == pytest.approx(-0.05)
    sources = {term.source: term.standard_uncertainty for term in row.difference.budget}
    assert sources["pads"] == pytest.approx(0.1 * math.sqrt(2))
    assert sources["zero"] < 0.02
    assert row.verdict is Difference.CANNOT_TELL


def test_left_against_right_is_left_less_right(store: Store, tmp_path: Path) -> None:
    job = MadeJob(store, car_file(tmp_path))
    job.camber("LF", -1.0)
    job.camber("RF", -2.0)
    job.camber("LR", -2.0)
    found = compare_sides(times(job))
    assert [(row.place, row.difference.value) for row in found.rows] == [("LF - RF", 1.0)]
    cross = job.row(Quantity.CROSS_CAMBER, "front").now.result
    assert found.rows[0].difference.value == cross.value
    assert found.rows[0].difference.standard_uncertainty == cross.standard_uncertainty
    assert found.only_once == ("LR camber",)


def test_conditions_that_differ_are_told(store: Store, tmp_path: Path) -> None:
    first = MadeJob(store, car_file(tmp_path))
    answer(first, "pressures", LF=180.0, RF=180.0, LR=180.0, RR=180.0)
    answer(first, "ride_heights", LF=350.0, RF=350.0, LR=350.0, RR=350.0)
    answer(first, "ballast", kg=75.0)
    first.camber("LF", -1.0)
    store.jobs.add(first.number, "close", "closed", {})
    second = MadeJob(store, car_file(tmp_path))
    answer(second, "pressures", LF=186.0, RF=184.0, LR=180.0, RR=180.0)
    answer(second, "ride_heights", LF=350.0, RF=350.0, LR=347.0, RR=351.0)
    second.camber("LF", -1.0)
    answer(second, "ballast", kg=75.0)  # after the reading: it was not known then
    unlike = compare_times(times(first), times(second)).unlike
    assert unlike == (
        "tyre pressure LF 180 against 186 kPa",
        "ride height LR 350 against 347 mm",
        "ballast was noted only for the first reading",
    )


def test_an_item_left_out_later_is_known_no_more(store: Store, tmp_path: Path) -> None:
    job = MadeJob(store, car_file(tmp_path))
    answer(job, "ballast", kg=75.0)
    job.camber("LF", -1.0)
    job.enter("preparation", "answer", item="ballast", done=False, text="", values={})
    job.enter("adjust", "turned", wheel="LF", adjuster="camber shim", amount=-2, unit="mm")
    job.camber("LF", -1.4)
    found = compare_times(times(job, "before"), times(job, "after"))
    assert found.unlike == ("ballast was noted only for the first reading",)


def test_what_was_read_once_is_named(store: Store, tmp_path: Path) -> None:
    job = turned_job(store, tmp_path)
    job.camber("RR", -1.0)
    found = compare_times(times(job, "before"), times(job, "after"))
    assert "RR camber" in found.only_once
