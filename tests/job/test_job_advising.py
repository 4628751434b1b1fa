"""Advice of a job. Sums by hand beside the tests; no outside source."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from job.made_jobs import CAR, MadeJob, car_file
from knuckle.alignment.adjusters import Kind
from knuckle.alignment.advice import Worth
from knuckle.job.advising import advice_record, advices, target_at
from knuckle.job.answered import answered, answers_in_words, answers_json
from knuckle.model.result import Quantity
from knuckle.model.wheel import Wheel
from knuckle.store.database import Store

PER_TURN_DEG = math.degrees(1.5 / 118.0)
"""Of the car of `made_jobs`: one pitch over the arm."""


@pytest.fixture
def store(tmp_path: Path):
    with Store(tmp_path / "runs.sqlite3") as opened:
        yield opened


def made(store: Store, folder: Path, text: str = CAR) -> MadeJob:
    return MadeJob(store, car_file(folder, text))


def at(job: MadeJob, wheel: Wheel, kind: Kind, *earlier):
    return next(
        each
        for each in advices(job.view, earlier)
        if (each.advice.wheel, each.advice.kind) == (wheel, kind)
    )


def turned(job: MadeJob, wheel: str, amount: float, adjuster: str = "toe link") -> None:
    job.enter("adjust", "turned", wheel=wheel, adjuster=adjuster, amount=amount, unit="turn")


def test_turns_by_thread_and_arm(store: Store, tmp_path: Path):
    job = made(store, tmp_path)
    job.toe("LF", 1.1)
    advice = at(job, Wheel.LF, Kind.TOE_LINK).advice
    # From 1.1 to 0.1 deg; behind the axle a longer link is toe-in, so it goes shorter.
    exact = -math.sin(math.radians(1.0)) / math.radians(PER_TURN_DEG)
    assert advice.worth is Worth.ADJUST
    assert advice.amount.value == pytest.approx(exact, rel=1e-9)
    assert "shorter" in advice.words
    record = advice_record(at(job, Wheel.LF, Kind.TOE_LINK))
    assert record["amount"][0] == advice.amount.value and record["unit"] == "turn"


def test_a_figure_that_was_turned_since_gets_no_advice(store: Store, tmp_path: Path):
    job = made(store, tmp_path)
    job.toe("LF", 1.1)
    turned(job, "LF", -1.0)
    assert advices(job.view) == ()


def test_what_the_car_answers_makes_the_second_adjustment_land(store: Store, tmp_path: Path):
    job = made(store, tmp_path)
    true_per_turn = 0.8 * PER_TURN_DEG
    job.toe("LF", 1.1)
    first = at(job, Wheel.LF, Kind.TOE_LINK).advice.amount.value
    turned(job, "LF", first)
    left = 1.1 + true_per_turn * first
    job.toe("LF", left)
    (answer,) = answered(job.view)[Wheel.LF, Kind.TOE_LINK]
    assert answer.amount.value == first
    assert answer.changes[Quantity.TOE].value == pytest.approx(left - 1.1)
    second = at(job, Wheel.LF, Kind.TOE_LINK).advice
    assert second.sensitivity.by == "geometry and measured"
    by_geometry = -math.sin(math.radians(left - 0.1)) / math.radians(PER_TURN_DEG)
    truth = -math.sin(math.radians(left - 0.1)) / math.radians(true_per_turn)
    assert abs(second.amount.value - truth) < 0.5 * abs(by_geometry - truth)


def test_an_earlier_job_on_the_same_car_counts_too(store: Store, tmp_path: Path):
    old = made(store, tmp_path)
    old.toe("LF", 1.1)
    turned(old, "LF", -1.0)
    old.toe("LF", 1.1 - 0.8 * PER_TURN_DEG)
    old.enter("close", "closed")
    job = made(store, tmp_path)
    assert job.number != old.number
    job.toe("LF", 1.1)
    alone = at(job, Wheel.LF, Kind.TOE_LINK).advice.amount.value
    with_old = at(job, Wheel.LF, Kind.TOE_LINK, old.view).advice.amount.value
    assert with_old < alone < 0.0


def test_a_car_that_answers_the_other_way_contradicts_its_file(store: Store, tmp_path: Path):
    job = made(store, tmp_path)
    job.toe("LF", 1.1)
    turned(job, "LF", -1.0)
    job.toe("LF", 1.1 + PER_TURN_DEG)
    found = at(job, Wheel.LF, Kind.TOE_LINK)
    assert found.contradiction
    assert found.advice.amount.value > 0.0, "what the car answered counts"


def test_what_a_shim_moved_is_not_taken_for_the_links_doing(store: Store, tmp_path: Path):
    job = made(store, tmp_path)
    job.toe("LF", 1.1)
    turned(job, "LF", -1.0)
    turned(job, "LF", 2.0, "camber shim")
    job.toe("LF", 0.9)
    assert answered(job.view)[Wheel.LF, Kind.TOE_LINK] == []
    assert answered(job.view)[Wheel.LF, Kind.CAMBER_SHIM] == []


def test_each_wheel_has_half_of_a_total_toe(store: Store, tmp_path: Path):
    text = CAR.replace("toe_deg = { aim = 0.1, within = 0.1 }\n", "", 1)
    assert "total_toe" in text
    target = target_at(made(store, tmp_path, text).view.car, Wheel.RF, Kind.TOE_LINK)
    assert (target.value, target.low, target.high) == pytest.approx((0.1, 0.0, 0.2))


def test_without_side_the_sign_is_learnt_from_the_car(store: Store, tmp_path: Path):
    job = made(store, tmp_path, CAR.replace(', side = "behind"', ""))
    job.toe("RF", 1.1)
    first = at(job, Wheel.RF, Kind.TOE_LINK).advice
    assert first.worth is Worth.TRY and "not known" in first.words
    turned(job, "RF", 0.5)
    job.toe("RF", 1.1 - 0.5 * PER_TURN_DEG)
    second = at(job, Wheel.RF, Kind.TOE_LINK).advice
    assert second.worth is Worth.ADJUST and second.amount.value > 0.0


def test_a_figure_without_adjuster_is_said_to_have_none(store: Store, tmp_path: Path):
    job = made(store, tmp_path)
    job.camber("LF", 1.0)
    advice = at(job, Wheel.LF, Kind.CAMBER_SHIM).advice
    assert advice.worth is Worth.NO_ADJUSTER and advice.amount is None


def test_front_toe_counts_in_what_is_advised_at_the_rear(store: Store, tmp_path: Path):
    rear = '[rear]\ntoe_link = { pitch_mm = 1.25, thread = "sleeve", arm_mm = 140, side = "ahead" }'
    text = CAR.replace("[rear.targets]", f"{rear}\n\n[rear.targets]")
    text += "toe_deg = { aim = 0.1, within = 0.1 }\n"
    job = made(store, tmp_path, text)
    # Thrust (-0.2 - 0.5) / 2 = -0.35; both rear wheels at 0.1 make it 0.
    job.all_toe(LF=0.45, RF=-0.25, LR=0.5, RR=-0.2)
    left, right = (at(job, wheel, Kind.TOE_LINK) for wheel in (Wheel.LF, Wheel.RF))
    assert left.counted_in_deg == pytest.approx(0.35, abs=1e-9)
    assert right.counted_in_deg == pytest.approx(-0.35, abs=1e-9)
    # Against the car's line, where the thrust line will be then.
    assert left.advice.reading.value == pytest.approx(0.45)
    assert right.advice.reading.value == pytest.approx(-0.25)
    assert job.row(Quantity.TOE, "LF").now.result.value == pytest.approx(0.1), "told as it is"
    assert left.advice.worth is Worth.ADJUST
    wheels = [each.advice.wheel for each in advices(job.view)][:4]
    assert wheels == [Wheel.LR, Wheel.RR, Wheel.LF, Wheel.RF], "the rear comes first"


def test_front_toe_counts_in_what_a_shim_will_do(store: Store, tmp_path: Path):
    shim = 'camber_shim = { lever_mm = 250, place = "upper" }\n\n[front.targets]'
    text = CAR.replace("[front.targets]", shim).replace(
        'side = "behind" }', 'side = "behind", joint_height_mm = 100 }'
    )
    job = made(store, tmp_path, text)
    job.camber("LF", 0.5)
    job.toe("LF", 0.1)
    made_there = at(job, Wheel.LF, Kind.TOE_LINK)
    # 2 deg less camber carries the joint 100 sin(2 deg) = 3.5 mm inboard; behind the axle the
    # link then pushes as if longer by as much: asin(3.5 / 118) = 1.7 deg of toe-in.
    assert made_there.counted_in_deg == pytest.approx(1.69, abs=0.06)
    assert "shorter" in made_there.advice.words


def test_a_link_turned_beside_a_shim_leaves_the_shims_camber_its_own(store: Store, tmp_path: Path):
    job = made(store, tmp_path)
    job.toe("LF", 1.1)
    job.camber("LF", 0.0)
    turned(job, "LF", -1.0)
    turned(job, "LF", -2.0, "camber shim")
    job.toe("LF", 0.9)
    job.camber("LF", -0.6)
    answers = answered(job.view)
    assert answers[Wheel.LF, Kind.TOE_LINK] == []
    (answer,) = answers[Wheel.LF, Kind.CAMBER_SHIM]
    assert list(answer.changes) == [Quantity.CAMBER]
    ((wheel, kind, words),) = answers_in_words(job.view)
    assert (wheel, kind) == (Wheel.LF, Kind.CAMBER_SHIM)
    (found,) = answers_json(job.view)
    assert (found["wheel"], found["adjuster"], found["unit"]) == ("LF", "camber shim", "mm")
    assert found["answered_deg"][0] == pytest.approx(0.3, abs=1e-3)
    # -0.6 deg by -2 mm.
    assert words.startswith("the car answered +0.300 ± ")
