"""Whole jobs led through a pipe, as a person would type them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from cli.typed_jobs import (
    BEFORE,
    BY_TAPE,
    CAR,
    IN_A_JOB,
    PADS,
    PREPARED,
    STRINGS,
    Typed,
    marks,
    rows,
    status,
    widest,
)
from job.made_jobs import MadeJob, car_file
from knuckle.alignment.compare import Standing
from knuckle.cli.align_lead import Lead
from knuckle.cli.align_wanted import wanted_in
from knuckle.errors import UsageError
from knuckle.job.book import add_run
from knuckle.model.result import Outcome, Quantity
from knuckle.store.database import Store
from knuckle.store.rows import JobOf, RunState


def test_a_whole_job_by_hand(typed: Typed) -> None:
    code, out, err = typed(PREPARED + PADS + STRINGS + BEFORE)
    assert code == 0, err
    assert widest(out) <= 80
    assert "== adjust ==" in out and "JACK STANDS" in out
    assert "goes on from here" in out
    assert "LF camber -0.30 ± " in out and "Take out" in out
    state = status(typed)
    assert state["next"] == "adjust" and state["round"] == "before"
    first = state["advice"][0]
    assert (first["wheel"], first["adjuster"], first["worth"]) == ("LF", "camber shim", "adjust")
    assert rows(typed)["LF camber"]["rounds"][0]["verdict"] == "outside"
    assert rows(typed)["car wheelbase_difference"]["rounds"][0]["value"] == 1.0
    # Half of 1 mm and of 0.75 mm over 430 mm, in mm again.
    assert rows(typed)["front total_toe"]["rounds"][0]["mm"] == pytest.approx(1.75, abs=1e-4)
    assert "over 430 mm" in " ".join(out.split())
    # Shims: 1 mm on 250 mm is 0.229 deg, so 1.2 deg take 5.24 mm.
    code, out, err = typed("y\n\n" + "camber LF -1.45/0.1\ntoe LF 60.9/60.0 60.9/60.0\ndone\n")
    assert code == 0, err
    assert "Read [camber LF]" in out, "what was turned is asked for"
    assert "Before you read again" in out and "Push the car down" in " ".join(out.split())
    row = rows(typed)["LF camber"]
    assert [each["round"] for each in row["rounds"]] == ["before", "after 1"]
    assert row["rounds"][1]["verdict"] == "cannot tell" or row["rounds"][1]["verdict"] == "inside"
    assert row["change"]["verdict"] == "differs"
    turned = status(typed)["adjustments"]
    assert [(each["wheel"], each["adjuster"]) for each in turned] == [("LF", "camber shim")]
    assert turned[0]["amount"] == pytest.approx(-5.24, abs=0.02)
    code, out, err = typed("y\ny\n")
    assert code == 0, err
    assert "Before the test drive" in out and "Closed." in out
    assert status(typed)["closed"] is True


def test_the_next_job_on_the_same_car_is_another(typed: Typed) -> None:
    typed("skip\n" * 4 + "\n" + "y\ny\n")
    assert status(typed)["closed"] is True
    code, out, _ = typed("q\n")
    assert code == 0 and "Job 2 on Plover" in out
    typed("q\n", "align", "plover", "--new")
    assert status(typed)["job"] == 3


def test_phases_are_skipped_repeated_and_begun_with(typed: Typed) -> None:
    code, _, err = typed("q\n", "align", "plover", "--skip", "preparation", "--skip", "pads")
    assert code == 0, err
    assert marks(typed)["pads"] == "skipped" and status(typed)["next"] == "strings"
    code, out, err = typed(PADS + "q\n", "align", "plover", "--phase", "pads")
    assert code == 0 and "== pads ==" in out, err
    assert marks(typed)["pads"] == "done"
    typed("0 1 0 1\n\ny\n0 0 0 0\n\nn\nq\n", "align", "plover", "--phase", "pads")
    assert len(status(typed)["pads"]) == 3, "nothing is overwritten"


def test_what_cannot_be_read_is_asked_again(typed: Typed) -> None:
    lines = (
        "1o.5\n190 190 180\n190 190 180 180\n190kPa -3 180 180\n28psi 28 26 26\n"  # pressures
        "12mm\n165lb\n"  # ballast
        "\n36o\n-\n\nheld\n-\n"
        "0 0 0\n0 0 0 0\n-1\n0\n0.5\nn\n"  # pads
        "1 2 3 4000\n\n\n100 100 100 100\n\n1400\n1400/x 1400\n\nn\n"  # strings
        "rubbish\ncamber\ncamber XX\ncamber LF 4x\ncamber LF 45\ncamber LF 1 half\n"
        "camber LF 1/0\nwheelbase 2400\nwheelbase 94 94\nsweep LF 4\n"
        "caster LF\ntoe LF 62.5\ntoe LF 2.46/2.40\ntoe all\ncamber all 3\n"
        "note slip plates were dirty\nq\n"
    )
    code, out, err = typed(lines)
    assert code == 0, err
    for said in (
        "letter 'o' (not the digit zero)",
        "3 numbers, where four are needed",
        "190 bar is far from any car: '190 190 180 180'",
        "not above zero everywhere",
        "'12mm' is in 'mm', where kilograms are needed",
        "Two lengths are needed, left and right",
        "94 mm is not near the car file's wheelbase of 2400 mm",
        "more than 5 deg off the car's line",
        "Two tracks are needed",
        "'rubbish' is nothing to read",
        "Which wheel?",
        "'XX' is no wheel",
        "45 deg is no camber",
        "`half` belongs to toe",
        "must be above zero",
        "A sweep is typed as what it gives",
        "caster alone is typed with its value",
        "two distances are needed, front and rear",
        "'2.46/2.40' would be millimetres from string to rim",
        "`all` is of camber by the pod",
    ):
        assert said in " ".join(out.split()), said
    state = status(typed)
    assert state["readings"] == []
    assert state["answers"]["ballast"]["values"]["kg"] == pytest.approx(74.84, abs=0.01)
    # The unit that is typed once holds for all: 28 psi are 193.05 kPa, 26 psi 179.26 kPa.
    pressures = state["answers"]["pressures"]["values"]
    assert (pressures["RF"], pressures["RR"]) == pytest.approx((193.05, 179.26), abs=0.01)
    assert state["answers"]["ride_heights"]["done"] is False
    assert state["notes"][0]["text"] == "slip plates were dirty"


def test_an_option_that_the_job_has_not_is_named_as_such(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(Lead, "_without_entry", lambda self: [])
    lead = Lead.__new__(Lead)

    def refused(next_step: str) -> str:
        def command() -> int:
            raise UsageError("It is too fast.", "", next_step)

        assert lead.measure(command) == []
        return " ".join(capsys.readouterr().out.split())

    assert "--rate belongs to the command that measures alone" in refused("Say --rate 100.")
    assert "measures alone" not in refused("Name one with --linear-calibration, or --pod.")


def test_a_car_that_is_rolled_to_settle_wants_its_strings_anew(typed: Typed) -> None:
    turned = "LF link 0.5\n\nq\n"
    readings = "toe LF 62/60\ncamber LF -1.5/0.05\ndone\n"
    checked = "\n" * 6
    skipped = "skip\nskip\n"
    _, out, err = typed(f"{checked}-\n{skipped}{readings}0\n{turned}", "align", "plover", "--new")
    said = " ".join(out.split())
    assert "Roll the car a length" in said, err
    assert "hang and measure them anew before toe" in said
    _, out, _ = typed(f"{checked}\n{skipped}{readings}0\n{turned}", "align", "plover", "--new")
    said = " ".join(out.split())
    assert "Push the car down" in said and "Roll the car" not in said and "anew" not in said


def test_a_link_of_unknown_side_is_tried_and_then_known(typed: Typed, tmp_path: Path) -> None:
    """The rear links' side is not in the car file: the car's own answer gives sign and size."""
    text = CAR.replace(
        "thrust_deg = { aim = 0, within = 0.2 }", "toe_deg = { aim = 0, within = 0.1 }"
    )
    (tmp_path / "plover.toml").write_text(text, encoding="utf-8")
    sure = ["--skip", "preparation", "--skip", "pads", "--skip", "strings"]
    # 7.5 mm over 430 mm is 1 deg of toe-in.
    code, out, err = typed("toe LR 67.5/60 67.5/60\ndone\n", "align", "plover", *sure)
    assert code == 0, err
    assert "Which way is not known" in " ".join(out.split())
    # +1 turn gave 0.716 deg less: it lies ahead of the axle.
    change = 0.716
    after = 60 + 430 * 0.0174533 * (1.0 - change)
    reading = f"toe LR {after:.2f}/60 {after:.2f}/60\ndone\n"
    code, out, err = typed("y\n1\n\n" + reading + "y\n")
    assert code == 0, err
    assert "The direction is not known" in " ".join(out.split())
    assert "LR toe +0.28" in out
    assert "Make the link longer by 0.4" in out, "the second adjustment goes the right way"


def test_a_straightedge_on_the_pads_is_gone_on_with(typed: Typed) -> None:
    skip = ["--skip", "preparation", "--phase", "pads"]
    typed("pod\n\n0.10/0.01\n0.1o\n0.06/0.01\nq\n", "align", "plover", *skip)
    assert marks(typed)["pads"] == "begun"
    code, out, err = typed("pod\n-0.02/0.01\ny\n-0.04/0.01\nn\nq\n")
    assert code == 0, err
    assert "across the front pads" not in out, "what was read is not asked again"
    state = status(typed)
    assert marks(typed)["pads"] == "done" and len(state["pads"]) == 2
    assert set(state["pads"][-1]["deg"]) == {"front", "rear", "left", "right"}
    typed("camber LF -1/0.1\nq\n", "align", "plover", "--skip", "strings", "--phase", "readings")
    figure = rows(typed)["LF camber"]["rounds"][0]
    # Left higher adds to left camber; the fourth side closes the ring by some hundredths.
    assert figure["value"] == pytest.approx(-0.9, abs=0.02)
    assert figure["condition"].startswith("relative to the pads")


def test_bytes_that_are_no_text_are_no_answer(tmp_path: Path) -> None:
    (tmp_path / "plover.toml").write_text(CAR, encoding="utf-8")
    environment = {**os.environ, "KNUCKLE_STORE": str(tmp_path / "s"), "XDG_CONFIG_HOME": "."}
    done = subprocess.run(
        [sys.executable, "-m", "knuckle", "align", "plover"],
        input=b"\xff\xfe\x00\n" + b"1" * 100_000 + b"\n1.9\n",
        capture_output=True,
        cwd=tmp_path,
        env=environment,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert b"fault of its own" not in done.stderr and len(done.stdout) < 110_000
    assert b"Ballast" in done.stdout, "the third answer was one"


@pytest.mark.parametrize(
    ("state", "wanted"), [(RunState.INTERRUPTED, True), (RunState.REFUSED, False)]
)
def test_a_reading_that_was_stopped_is_asked_for_again(
    tmp_path: Path, state: RunState, wanted: bool
) -> None:
    with Store(tmp_path / "runs.sqlite3") as store:
        job = MadeJob(store, car_file(tmp_path))
        of = JobOf(job.number, store.jobs.job(job.number).car_id)
        with Store(store.path, job=of) as its:
            run = its.begin_run("camber", ["LF"])
            its.add_result(run, Outcome("camber", "LF", {}), method="made")
            its.finish_run(run, state)
        add_run(store, job.number, run, {})
        assert ("camber LF" in wanted_in(job.view)) is wanted


def test_travel_in_a_job_is_drawn_in_its_report(typed: Typed, tmp_path: Path) -> None:
    skip = ["--skip", "preparation", "--skip", "pads", "--skip", "strings"]
    lines = "".join(f"{h} camber {-1.5 - 0.02 * h:.2f}/0.05\n" for h in (-30, -15, 0, 15, 30))
    code, _, err = typed(f"travel LF\n{lines}done\nq\n", "align", "plover", *skip)
    assert code == 0, err
    code, _, err = typed("", "report", "last", "--out", "page.html")
    assert code == 0, err
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert "Camber and toe of LF over suspension travel" in page
    assert "Camber gain" in page


def test_half_a_turn_of_the_wheel_takes_the_runout_out(typed: Typed) -> None:
    skip = ["--skip", "preparation", "--skip", "pads", "--skip", "strings"]
    typed("toe RR 62/60 62/60\ntoe RR 60/60 60/60 half\nq\n", "align", "plover", *skip)
    figure = rows(typed)["RR toe"]["rounds"][0]
    assert figure["value"] == pytest.approx(57.2958 / 430.0, abs=1e-4)
    assert len(figure["runs"]) == 2


def test_every_figure_fits_its_column() -> None:
    from knuckle.cli.align_status import _figure_line
    from knuckle.job.figures import Figure, Row
    from knuckle.model.car import Target
    from knuckle.model.result import Result

    for quantity in Quantity:
        wide = Result(quantity, -10.123, 0.111, 1.96, "deg", ())
        place = "car" if quantity in BY_TAPE else "front"
        figures = tuple(Figure(number, wide, (), (), Standing.CANNOT_TELL) for number in (0, 1))
        apart = _figure_line(Row(quantity, place, None, figures, False)).split()
        assert apart.count("±") == 2 and apart.count("-10.12") == 2, "a blank between columns"
        line = _figure_line(Row(quantity, place, Target(12.0, 11.5, 12.5), figures, True))
        if quantity in IN_A_JOB:
            assert len(line) <= 80, line


def test_a_changed_car_file_is_told_and_taken_when_asked_for(typed: Typed, tmp_path: Path) -> None:
    typed("q\n")
    (tmp_path / "plover.toml").write_text(CAR.replace("-1.5", "-2.5"), encoding="utf-8")
    _, out, _ = typed("q\n")
    assert "has changed since" in out
    typed("q\n", "align", "plover", "--reload")
    _, out, _ = typed("q\n")
    assert "has changed since" not in out


def test_usage(typed: Typed) -> None:
    for words, said in (
        (["align", "nothing"], "There is no car file nothing.toml"),
        (["align", "plover", "--phase", "lunch"], "'lunch' is no phase"),
        (["align", "plover", "--skip", "close"], "The close is not skipped"),
        (["align", "plover", "--json"], "--json belongs to --status"),
        (["align", "plover", "--status"], "There is no job on Plover yet"),
    ):
        code, out, err = typed("", *words)
        assert code == 2 and said in out + err, (words, err)


def test_status_before_anything_writes_nothing(typed: Typed, tmp_path: Path) -> None:
    typed("", "align", "plover", "--status")
    assert not (tmp_path / "runs.sqlite3").exists()


def test_by_the_pod_with_the_commands_that_measure_alone(typed: Typed) -> None:
    skip = ["--skip", "preparation", "--skip", "pads", "--skip", "strings"]
    code, out, err = typed(
        "camber LF\nsweep LF\ntoe LF\ncamber RF\nstatus\nq\n",
        "align",
        "plover",
        "--pod",
        "sim:?seed=5",
        *skip,
    )
    assert code == 0, err
    assert widest(out) <= 80
    assert "hold the FOOT BRAKE" in out, "each command's own cautions"
    found = rows(typed)
    assert {"LF camber", "LF caster", "LF steering_axis_inclination", "RF camber"} <= set(found)
    assert "is not calibrated" in out, "toe's own error, and the job goes on"
    state = status(typed)
    assert [each["run"] for each in state["readings"]] == [1, 2, 3, 4]
    assert "no result from run 3" in out
    code, out, _ = typed("", "runs", "--json")
    assert code == 0 and len(json.loads(out)["runs"]) == 4


def test_a_pod_that_is_not_there_ends_no_job(typed: Typed) -> None:
    skip = ["--skip", "preparation", "--skip", "pads", "--skip", "strings"]
    code, out, _ = typed(
        "camber LF\ncamber LF -1\nq\n", "align", "plover", "--pod", "file:none.kncap", *skip
    )
    assert code == 0
    assert "none.kncap" in out and "-1.00" in out
    assert len(status(typed)["readings"]) == 1
