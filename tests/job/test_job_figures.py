"""Figures of a job, against sums done by hand beside them."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from job.made_jobs import MadeJob, car_file, result
from knuckle.alignment.compare import Difference, Standing
from knuckle.job.book import open_or_begin, take_up_runs
from knuckle.job.pairs import pair_notices
from knuckle.model.result import Quantity
from knuckle.model.wheel import Wheel
from knuckle.store.database import Store
from knuckle.store.rows import RunState


@pytest.fixture
def store(tmp_path: Path):
    with Store(tmp_path / "runs.sqlite3") as opened:
        yield opened


@pytest.fixture
def job(store: Store, tmp_path: Path) -> MadeJob:
    return MadeJob(store, car_file(tmp_path))


def test_same_car_goes_on_with_its_job_until_it_is_closed(job: MadeJob, store: Store, tmp_path):
    file = car_file(tmp_path)
    assert open_or_begin(store, file) == (job.number, False)
    second, begun = open_or_begin(store, file, anew=True)
    assert begun and second != job.number
    assert open_or_begin(store, file) == (second, False)
    store.jobs.add(second, "close", "closed", {})
    third, begun = open_or_begin(store, file)
    assert begun and third not in (job.number, second)


def test_the_car_is_kept_as_it_was(job: MadeJob, tmp_path: Path):
    changed = car_file(tmp_path, (tmp_path / "plover.toml").read_text().replace("-1.5", "-2.5"))
    assert job.view.car.corners[Wheel.LF].targets["camber"].value == -1.5
    assert job.view.digest != changed.digest
    job.enter("preparation", "car", car=changed.document, car_digest=changed.digest)
    assert job.view.car.corners[Wheel.LF].targets["camber"].value == -2.5
    assert job.view.digest == changed.digest


def test_camber_relative_to_gravity_until_pads_are_entered(job: MadeJob):
    job.camber("LF", -1.0)
    row = job.row(Quantity.CAMBER, "LF")
    assert row.now.result.value == -1.0 and row.now.pads == ()
    assert row.now.result.condition == "relative to gravity"
    # Left pads higher by 10 mm over 1400 mm: their slope adds to left camber.
    heights = {"LF": 10.0, "RF": 0.0, "LR": 10.0, "RR": 0.0}
    pads = job.enter("pads", "heights", mm=heights, u_mm=0.3)
    row = job.row(Quantity.CAMBER, "LF")
    assert row.now.result.value == pytest.approx(
        -1.0 + math.degrees(math.atan(10 / 1400)), abs=1e-6
    )
    assert row.now.pads == (pads,)
    assert row.now.readings[0].raw.value == -1.0
    assert "pads" in row.now.result.condition
    # Each height 0.3: the slope sqrt(2) x 0.3 / 1400, in place of 0.1 deg.
    term = next(t for t in row.now.result.budget if t.source == "pads")
    assert term.standard_uncertainty == pytest.approx(
        math.degrees(math.sqrt(2.0) * 0.3 / 1400), rel=1e-3
    )


def test_strings_correct_toe_and_take_the_term_of_unknown_strings(job: MadeJob):
    job.all_toe(LF=0.2, RF=0.1, LR=0.15, RR=0.05)
    entry = job.enter(
        "strings",
        "offsets",
        # The left string 3 mm nearer at the front than at the rear: toe-in by atan(3 / 2400).
        mm={"LF": 97.0, "LR": 100.0, "RF": 100.0, "RR": 100.0},
        u_mm=0.3,
        tracks_mm=[[1400.0, 0.5], [1400.0, 0.5]],
    )
    reading = next(
        r for r in job.view.readings if r.wheel is Wheel.LR and r.raw.quantity is Quantity.TOE
    )
    assert reading.strings == entry
    assert reading.result.value == pytest.approx(
        0.15 + math.degrees(math.asin(3.0 / 2400.0)), abs=1e-3
    )


def _string_term(figure_result) -> float:
    return sum(t.standard_uncertainty for t in figure_result.budget if t.source == "string")


def test_unmeasured_strings_that_stay_do_not_move_a_difference(job: MadeJob):
    """0.03 deg is assumed of strings that nobody measured; they hang as they hung."""
    job.enter("preparation", "answer", item="plates", done=True, text="", values={})
    job.all_toe(LF=0.2, RF=0.1, LR=0.15, RR=0.05)
    # Front and rear wheel have the same string: half of it each side goes out of LF + T.
    about_thrust = job.row(Quantity.TOE, "LF").now.result
    assert _string_term(about_thrust) == pytest.approx(0.03 * math.sqrt(0.5), rel=1e-6)
    job.enter("adjust", "turned", wheel="RR", adjuster="toe link", amount=0.2, unit="turn")
    job.toe("RR", 0.15)
    assert _string_term(job.row(Quantity.TOE, "RR").change) == pytest.approx(0.0, abs=1e-9)
    # Gone through anew, and passed over: who knows how they hang now.
    job.enter("strings", "skipped")
    job.toe("RR", 0.15)
    apart = _string_term(job.row(Quantity.TOE, "RR").change)
    assert apart == pytest.approx(0.03 * math.sqrt(2.0), rel=1e-6)


@pytest.mark.parametrize("rolled", ["to settle", "by half a turn"])
def test_unmeasured_strings_do_not_outlast_a_car_that_was_rolled(job: MadeJob, rolled: str):
    settled_by_rolling = rolled == "to settle"
    job.enter("preparation", "answer", item="plates", done=not settled_by_rolling, text="")
    job.toe("RR", 0.05, rim_deg=0.0)
    if not settled_by_rolling:
        job.toe("LR", 0.05, rim_deg=180.0)
    job.enter("adjust", "turned", wheel="RR", adjuster="toe link", amount=0.2, unit="turn")
    job.toe("RR", 0.15, rim_deg=0.0)
    apart = _string_term(job.row(Quantity.TOE, "RR").change)
    assert apart == pytest.approx(0.03 * math.sqrt(2.0), rel=1e-6)


def test_a_new_seating_of_the_pod_does_not_cancel(job: MadeJob):
    seat = result(Quantity.CAMBER, -1.0, noise=0.02, mount=0.2)
    job.read("LF", seat)
    job.enter("adjust", "turned", wheel="LF", adjuster="camber shim", amount=1.0, unit="mm")
    job.read("LF", seat)
    change = job.row(Quantity.CAMBER, "LF").change
    (mount,) = (t.standard_uncertainty for t in change.budget if t.source == "mount")
    assert mount == pytest.approx(0.2 * math.sqrt(2.0))


@pytest.mark.parametrize(("runs", "left"), [((3, 3), 0.005**0.5), ((3, 4), 1.0)])
def test_a_zero_that_was_found_anew_does_not_cancel(job: MadeJob, runs, left):
    seat = result(Quantity.CAMBER, -1.0, noise=0.02, reversal=0.1)
    job.read("LF", seat, zero={"run": runs[0]})
    job.enter("adjust", "turned", wheel="LF", adjuster="camber shim", amount=1.0, unit="mm")
    job.read("LF", seat, zero={"run": runs[1]})
    change = job.row(Quantity.CAMBER, "LF").change
    (zero,) = (t.standard_uncertainty for t in change.budget if t.source == "reversal")
    assert zero == pytest.approx(0.1 * math.sqrt(2.0) * left)


def test_total_toe_thrust_and_front_toe_about_the_thrust_line(job: MadeJob):
    job.all_toe(LF=0.2, RF=0.1, LR=0.15, RR=0.05)
    assert job.row(Quantity.TOTAL_TOE, "front").now.result.value == pytest.approx(0.3)
    assert job.row(Quantity.TOTAL_TOE, "rear").now.result.value == pytest.approx(0.2)
    thrust = job.row(Quantity.THRUST, "rear").now
    # (toe_RR - toe_LR) / 2, to the left where positive.
    assert thrust.result.value == pytest.approx(-0.05)
    left, right = (job.row(Quantity.TOE, place).now for place in ("LF", "RF"))
    assert left.result.value == pytest.approx(0.2 - 0.05)
    assert right.result.value == pytest.approx(0.1 + 0.05)
    assert left.result.condition == "against the thrust line"
    assert len(left.runs) == 3


def test_front_toe_is_about_the_thrust_line_as_soon_as_the_rear_was_read(job: MadeJob):
    job.toe("LF", 0.2)
    job.toe("RF", 0.1)
    assert job.row(Quantity.TOE, "LF").now.result.condition != "against the thrust line"
    job.enter("adjust", "turned", wheel="LF", adjuster="toe link", amount=0.1, unit="turn")
    job.all_toe(LF=0.2, RF=0.1, LR=0.15, RR=0.05)
    left = job.row(Quantity.TOE, "LF")
    assert left.now.result.condition == "against the thrust line"
    assert left.now.result.value == pytest.approx(0.2 - 0.05)
    assert left.before is None, "what was read before is against another line"
    assert job.row(Quantity.TOTAL_TOE, "front").before is not None


def test_how_far_the_front_wheels_point_off_the_thrust_line(job: MadeJob):
    job.all_toe(LF=0.2, RF=0.1, LR=0.15, RR=0.05)
    # Front (0.1 - 0.2) / 2 to the left, rear (0.05 - 0.15) / 2: both point to the right alike.
    assert job.row(Quantity.FRONT_HEADING, "front").now.result.value == pytest.approx(0.0)
    job.toe("RF", 0.3)
    heading = job.row(Quantity.FRONT_HEADING, "front").now.result
    assert heading.value == pytest.approx((0.3 - 0.2) / 2 - (0.05 - 0.15) / 2)


def test_wheelbases_by_tape(job: MadeJob):
    job.enter("readings", "wheelbases", left_mm=[2402.0, 1.0], right_mm=[2398.0, 1.0])
    difference = job.row(Quantity.WHEELBASE_DIFFERENCE, "car")
    assert difference.before.result.value == 4.0
    assert difference.before.result.unit == "mm"
    # 4 mm over the front track of 1400 mm.
    setback = job.row(Quantity.SETBACK, "car").before.result
    assert setback.value == pytest.approx(math.degrees(math.atan(4 / 1400)))
    job.enter("adjust", "turned", wheel="LF", adjuster="caster adjuster", amount=1.0, unit="turn")
    job.enter("re-read", "wheelbases", left_mm=[2399.0, 1.0], right_mm=[2398.0, 1.0])
    difference = job.row(Quantity.WHEELBASE_DIFFERENCE, "car")
    assert difference.after.result.value == 1.0
    assert difference.change.value == pytest.approx(-3.0)


def test_left_and_right_tell_of_a_tilted_knuckle(job: MadeJob):
    for wheel, camber, sai in (("LF", -2.5, 13.5), ("RF", -0.5, 11.5)):
        job.read(
            wheel,
            result(Quantity.CAMBER, camber, noise=0.02),
            result(Quantity.SAI, sai, noise=0.05),
            result(Quantity.CASTER, 5.0, noise=0.05),
        )
    assert [notice.code for notice in pair_notices(job.view)] == ["KNUCKLE_TILTED"]
    assert job.row(Quantity.CROSS_INCLUDED, "front").now.result.value == pytest.approx(0.0)
    assert job.row(Quantity.INCLUDED, "LF").now.result.value == pytest.approx(11.0)


def test_before_and_after(job: MadeJob):
    job.camber("LF", -0.2)
    job.camber("LF", -0.3)
    job.camber("RF", -1.5)
    first = job.row(Quantity.CAMBER, "LF")
    assert first.before.result.value == -0.3 and first.after is None and not first.stale
    assert first.before.standing is Standing.OUTSIDE
    job.enter("adjust", "turned", wheel="LF", adjuster="camber shim", amount=3.0, unit="mm")
    assert job.row(Quantity.CAMBER, "LF").stale and not job.row(Quantity.CAMBER, "RF").stale
    job.camber("LF", -1.5)
    row = job.row(Quantity.CAMBER, "LF")
    assert [figure.words for figure in row.rounds] == ["before", "after 1"]
    assert row.after.result.value == -1.5 and row.after.standing is Standing.INSIDE
    assert not row.stale
    # The same pod and floor: only noise is left, and what the correlation is short of one.
    assert row.change.value == pytest.approx(-1.2)
    assert row.change.expanded_uncertainty < 0.1 < row.after.result.expanded_uncertainty
    assert row.changed is Difference.DIFFERS
    # The right wheel was not read again, and nothing was turned there: it is carried on.
    cross = job.row(Quantity.CROSS_CAMBER, "front")
    assert cross.before.result.value == pytest.approx(1.2)
    assert cross.after.result.value == pytest.approx(0.0)
    assert job.row(Quantity.CAMBER, "RF").after is None


def test_a_toe_link_leaves_camber_as_it_was_read(job: MadeJob):
    job.camber("LF", -1.0)
    job.camber("RF", -1.2)
    job.enter("adjust", "turned", wheel="LF", adjuster="toe link", amount=0.5, unit="turn")
    assert not job.row(Quantity.CAMBER, "LF").stale
    job.camber("RF", -1.0)
    assert job.row(Quantity.CROSS_CAMBER, "front").now.result.value == pytest.approx(0.0)
    job.enter("adjust", "turned", wheel="LF", adjuster="caster adjuster", amount=1.0, unit="turn")
    assert job.row(Quantity.CAMBER, "LF").stale
    assert job.row(Quantity.CROSS_CAMBER, "front").stale


def test_a_figure_is_not_made_of_readings_that_turning_has_undone(job: MadeJob):
    job.all_toe(LF=0.2, RF=0.1, LR=0.0, RR=0.0)
    for wheel in ("LF", "RF"):
        job.enter("adjust", "turned", wheel=wheel, adjuster="toe link", amount=1.0, unit="turns")
    job.toe("LF", 0.1)
    total = job.row(Quantity.TOTAL_TOE, "front")
    assert total.after is None and total.stale
    job.toe("RF", 0.1)
    total = job.row(Quantity.TOTAL_TOE, "front")
    assert total.after.result.value == pytest.approx(0.2) and not total.stale
    assert total.after.standing is Standing.INSIDE


def test_rim_positions_half_a_turn_apart_take_the_runout_out(job: MadeJob):
    job.toe("LR", 0.30, rim_deg=0)
    job.toe("LR", 0.10, rim_deg=180)
    figure = job.row(Quantity.TOE, "LR").now
    assert figure.result.value == pytest.approx(0.2)
    assert len(figure.runs) == 2
    assert figure.result.expanded_uncertainty < figure.readings[0].raw.expanded_uncertainty
    # Back where it was at first: joined with the other position again, not with the mean.
    job.toe("LR", 0.34, rim_deg=0)
    assert job.row(Quantity.TOE, "LR").now.result.value == pytest.approx(0.22)


def test_a_run_whose_entry_was_never_written_is_taken_up(job: MadeJob, store: Store):
    lost = job.run("LF", result(Quantity.CAMBER, -1.0, noise=0.02))
    assert job.view.readings == ()
    assert take_up_runs(store, job.number) == [lost]
    assert take_up_runs(store, job.number) == []
    assert job.view.readings[0].runs == (lost,)


def test_an_interrupted_run_is_kept_in_the_job_without_a_figure(job: MadeJob, store: Store):
    from knuckle.store.rows import JobOf

    of = JobOf(job.number, store.jobs.job(job.number).car_id)
    with Store(store.path, job=of) as other:
        run = other.begin_run("sweep", ["LF"])
        other.add_chunk(run, 0, 0.0, b"abc")
        other.finish_run(run, RunState.INTERRUPTED)
    assert take_up_runs(store, job.number) == [run]
    view = job.view
    assert view.state.runs == (run,) and view.figures == ()
    assert view.runs[run].state == "interrupted"


def test_entries_that_cannot_be_computed_leave_the_readings_as_they_are(job: MadeJob):
    job.camber("LF", -1.0)
    job.enter("pads", "heights", mm={"LF": 1000.0, "RF": 0.0, "LR": 0.0, "RR": 0.0}, u_mm=0.3)
    job.enter("strings", "offsets", mm={"LF": 1.0}, u_mm=0.3)
    assert job.row(Quantity.CAMBER, "LF").now.result.value == -1.0
