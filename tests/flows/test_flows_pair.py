"""Both front wheels swept at once: two links, one guide, one run."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from flows.live_pair import BOTH, LivePair, live_pair
from flows.live_run import live
from flows.whole_job import CAR as CAR_FILE
from knuckle.cli.app import run
from knuckle.model.result import SWEPT, Quantity
from knuckle.model.wheel import Wheel
from knuckle.store.database import Store
from knuckle.store.rows import RunState
from knuckle.wire.messages import Cue

CAR = "sim:both_wheels?seed=2&transport=memory"
ALMOST_CERTAIN = 1.5


def toe_out_deg(made: LivePair, stop: int) -> tuple[float, float]:
    """Return the inner wheel's true turn at a stop, and by how much the outer one turns less."""
    turns = [abs(made.links[wheel].pod.truth().rests[stop].steer_deg) for wheel in BOTH]
    return max(turns), max(turns) - min(turns)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> LivePair:
    return live_pair(tmp_path_factory.mktemp("pair"), CAR)


def test_each_wheel_is_measured_as_it_is_alone(made: LivePair, tmp_path: Path) -> None:
    assert made.report.state is RunState.FINISHED and made.report.complete
    assert [each.wheel for each in made.report.outcomes] == ["LF", "RF", "front"]
    for wheel in BOTH:
        alone = live(tmp_path, CAR, wheels=wheel.value).report.outcomes[0]
        truth = made.links[wheel].pod.truth()
        true = {
            Quantity.CAMBER: truth.wheel.camber_deg,
            Quantity.CASTER: truth.caster_as_swept_deg,
            Quantity.SAI: truth.wheel.sai_deg,
        }
        for quantity in SWEPT:
            both = made.outcome(wheel.value).results[quantity]
            single = alone.results[quantity]
            assert abs(both.value - true[quantity]) <= ALMOST_CERTAIN * both.expanded_uncertainty
            # One pod, one seat: what is left between them is noise and where the driver stopped.
            assert abs(both.value - single.value) <= 0.5 * single.expanded_uncertainty


def test_toe_out_on_turns_is_that_of_the_car(made: LivePair) -> None:
    pair = made.outcome("front")
    for quantity, stop in ((Quantity.TURN_OUT_LEFT, 1), (Quantity.TURN_OUT_RIGHT, 3)):
        inner, out = toe_out_deg(made, stop)
        # It grows with the square of the turn nearby: cot(outer) - cot(inner) is one number.
        true = out * (20.0 / inner) ** 2
        result = pair.results[quantity]
        assert true > 2.5
        assert abs(result.value - true) <= result.expanded_uncertainty
    difference = pair.results[Quantity.CROSS_CASTER]
    assert difference.value == pytest.approx(
        made.outcome("LF").results[Quantity.CASTER].value
        - made.outcome("RF").results[Quantity.CASTER].value
    )
    assert abs(difference.value - 1.1) <= difference.expanded_uncertainty
    assert "CASTER_DIFFERS" in {warning.code for warning in pair.warnings}


def test_the_driver_hears_both_as_one(made: LivePair) -> None:
    cues = made.heard.cues
    assert cues.count(Cue.TAKEN) == 5 and cues[-1] is Cue.FINISHED
    for wheel in BOTH:
        pod = made.links[wheel].pod
        assert [cue for _, cue in pod.cues][: len(cues)] == cues, "each pod plays every cue"
    rests = [made.links[wheel].pod.truth().rests for wheel in BOTH]
    assert [(r.start_s, r.end_s) for r in rests[0]] == [(r.start_s, r.end_s) for r in rests[1]]
    assert not any("(in)" in words or "(out)" in words for words in made.heard.words)


def test_one_link_lost_and_back(tmp_path: Path) -> None:
    made = live_pair(tmp_path, f"{CAR}&faults=disconnect", CAR)
    assert made.report.complete and made.report.state is RunState.FINISHED
    cues = made.heard.cues
    lost, back = cues.index(Cue.LINK_LOST), cues.index(Cue.LINK_BACK)
    assert cues[lost:back] == [Cue.LINK_LOST], "nothing is taken by one pod alone"
    assert "Left pod's link lost: keep still" in made.heard.words
    assert any(line.startswith("LF: The pod is back after") for line in made.heard.lines)
    codes = {warning.code for warning in made.outcome("LF").warnings}
    assert "RECORD_BROKEN" in codes
    assert not {warning.code for warning in made.outcome("RF").warnings}
    assert set(made.outcome("front").results) >= {Quantity.CROSS_CASTER, Quantity.TURN_OUT_LEFT}


def test_a_pod_that_never_comes_back_leaves_the_other_its_figures(tmp_path: Path) -> None:
    gone = "faults.disconnect.on=true&faults.disconnect.length_s=600"
    made = live_pair(tmp_path, CAR, f"{CAR}&{gone}")
    assert not made.report.complete
    assert made.outcome("LF").refused is None and made.outcome("LF").results
    assert made.outcome("RF").refused is not None
    front = made.outcome("front")
    assert front.refused is None or front.refused.code == "NO_PAIR"
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        detail = store.run(1)
    assert detail.summary.state is RunState.REFUSED
    assert all(row.byte_count > 10_000 for row in detail.streams)


def test_a_restarted_pod_is_laid_beside_the_other_by_arrivals(tmp_path: Path) -> None:
    """Its own time begins anew, 1.2 s late: the rests after it still are those of the other."""
    made = live_pair(tmp_path, f"{CAR}&faults.restart.on=true&faults.restart.silent_s=4", CAR)
    assert made.report.complete
    pair = made.outcome("front")
    _, out = toe_out_deg(made, 1)
    assert pair.results[Quantity.TURN_OUT_LEFT].value == pytest.approx(out, abs=0.5)
    assert Quantity.TURN_OUT_RIGHT in pair.results


def test_links_whose_clocks_began_apart_are_not_together(tmp_path: Path) -> None:
    made = live_pair(tmp_path, CAR, right_late_s=60.0)
    codes = {warning.code for warning in made.outcome("front").warnings}
    assert "TURN_OUT_MISSING" in codes, "by the arrivals they did not stand still together"
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        first = [row.first_arrival_s for row in store.run(1).streams]
    assert first[1] - first[0] == pytest.approx(60.0, abs=0.2)


def test_exchanged_pods_are_noticed(tmp_path: Path) -> None:
    made = live_pair(tmp_path, CAR, sitting_on=(Wheel.RF, Wheel.LF))
    assert made.outcome("LF").results[Quantity.CASTER].value < -3.0
    first = made.outcome("front").warnings[0]
    assert first.code == "PODS_EXCHANGED"
    assert "caster is negative on both sides" in first.text.lower()
    assert "outer wheel seems to turn further" in first.text


def test_ctrl_c_keeps_everything(tmp_path: Path) -> None:
    made = live_pair(tmp_path, CAR, stops=lambda heard: heard.cues.count(Cue.TAKEN) == 4)
    assert made.report.state is RunState.INTERRUPTED
    assert {each.wheel for each in made.report.outcomes} == {"LF", "RF", "front"}
    assert made.outcome("LF").results, "both locks had been taken"
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        detail = store.run(1)
    assert detail.summary.state is RunState.INTERRUPTED
    assert [row.wheel for row in detail.streams] == ["LF", "RF"]
    assert all(row.byte_count > 10_000 for row in detail.streams)
    assert len(detail.results) == 3


def test_a_stored_run_gives_the_same_to_the_last_digit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, place in (("STORE", "runs.sqlite3"), ("LOG", "knuckle.log")):
        monkeypatch.setenv(f"KNUCKLE_{name}", str(tmp_path / place))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    plain = ["--plain", "--no-sound"]
    words = ["sweep", "--left-pod", f"{CAR}&faults=disconnect", "--right-pod", CAR, "--json"]
    assert run([*plain, *words]) == 0
    told = json.loads(capsys.readouterr().out)["wheels"]
    capture = str(tmp_path / "pair.kncap")
    assert run([*plain, "export", "1", "--as", "capture", "--out", capture]) == 0
    capsys.readouterr()
    assert run([*plain, "analyze", capture, "--measure", "pair", "--json"]) == 0
    again = json.loads(capsys.readouterr().out)["wheels"]
    kept = ("wheel", "results", "rests", "details", "warnings")
    assert [{k: each[k] for k in kept} for each in again] == [
        {k: each[k] for k in kept} for each in told
    ]
    one = ["analyze", capture, "--measure", "sweep", "--wheel", "RF", "--stream", "2", "--json"]
    assert run([*plain, *one]) == 0
    assert json.loads(capsys.readouterr().out)["results"] == told[1]["results"]
    assert run([*plain, "show", "1"]) == 0
    shown = capsys.readouterr().out
    assert "LF: calibration = the pod's own" in shown and "RF: calibration" in shown
    assert max(map(len, shown.splitlines())) <= 80
    assert run([*plain, "runs"]) == 0
    assert "turn_out_left of front" in capsys.readouterr().out
    csv = str(tmp_path / "rf.csv")
    assert run([*plain, "export", "1", "--wheel", "RF", "--out", csv]) == 0
    assert "# calibration=applied" in Path(csv).read_text(encoding="utf-8")


def test_in_a_job_it_is_a_reading_of_both_wheels(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "dunlin.toml").write_text(CAR_FILE, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    for name, place in (("STORE", "runs.sqlite3"), ("LOG", "knuckle.log")):
        monkeypatch.setenv(f"KNUCKLE_{name}", str(tmp_path / place))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setattr(
        "sys.stdin", io.StringIO("toe LF 60.6/60.0 60.6/60.0\nsweep both\ncamber both\nq\n")
    )
    pods = ["--left-pod", CAR, "--right-pod", CAR]
    job = ["--plain", "--no-sound", "align", "dunlin"]
    assert run([*job, *pods, "--phase", "readings"]) == 0
    said = capsys.readouterr().out
    assert "`both` is of a sweep with two pods" in said
    monkeypatch.setattr("sys.stdin", io.StringIO("sweep both\nq\n"))
    assert run([*job, "--phase", "readings"]) == 0
    assert "Start with --left-pod and --right-pod" in " ".join(capsys.readouterr().out.split())
    assert run([*job, "--status", "--json"]) == 0
    status = json.loads(capsys.readouterr().out)
    rows = {f"{row['place']} {row['quantity']}": row for row in status["figures"]}
    with Store(tmp_path / "runs.sqlite3", read_only=True) as store:
        detail = store.run(2)
    front = next(r.outcome for r in detail.results if r.outcome.wheel == "front")
    toes = {wheel: fact["values"] for wheel, fact in detail.facts["assumed"].items()}
    assert toes["LF"]["toe"]["value"] == pytest.approx(0.08, abs=0.01), "as it was read in this job"
    assert toes["RF"]["toe"]["value"] == 0.0
    for quantity in (Quantity.CROSS_CAMBER, Quantity.CROSS_CASTER, Quantity.TURN_OUT_LEFT):
        row = rows[f"front {quantity.value}"]["rounds"][0]
        assert row["value"] == pytest.approx(front.results[quantity].value)
        assert row["expanded_uncertainty"] == pytest.approx(
            front.results[quantity].expanded_uncertainty, rel=0.02
        )
        assert row["runs"] == [2]
    assert "CASTER_DIFFERS" in {notice["code"] for notice in status["left_and_right"]}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--left-pod", "sim:both_wheels"], "half a pair"),
        (["--left-pod", "serial:/dev/a", "--right-pod", "serial:/dev/a"], "Both pods are"),
        (["--left-pod", "sim:", "--right-pod", "sim:", "--wheel", "LF"], "--wheel is of one wheel"),
        (["--left-pod", "sim:", "--right-pod", "sim:", "--plates", "20"], "--plates is of one"),
        (["--left-pod", "sim:?seed=1", "--right-pod", "sim:?seed=2"], "not on one car"),
        (["--left-pod", "sim:", "--right-pod", "sim:?car.LF.toe_deg=1"], "not on one car"),
        ([], "Which wheel?"),
    ],
)
def test_what_cannot_be_asked_for(
    words: list[str],
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert run(["--plain", "--no-sound", "sweep", *words]) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "runs.sqlite3").exists()
