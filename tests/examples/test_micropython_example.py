"""The MicroPython example, run by MicroPython itself; what it prints goes through knuckle."""

from __future__ import annotations

import itertools
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from bench.told import told
from conftest import IN_CI
from examples.on_car import on_car, write_calibration
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import TextHeader, TextSample

EXAMPLE = Path(__file__).resolve().parents[2] / "firmware" / "examples" / "micropython"
BOARD = Path(__file__).resolve().parent / "micropython_board.py"
MICROPYTHON = Path(sys.executable).parent / "micropython"
SAI = "steering_axis_inclination"
STILL = "0000c0004000f65800000000ff7d"
"""0, -1 and 1 g; 29.32 C (36.53 - 2472 / 340); 0, 0 and -1 deg/s."""

pytestmark = pytest.mark.usefixtures("own_places")


Board = Callable[[list[str]], bytes]


@pytest.fixture
def micropython() -> str:
    if not MICROPYTHON.exists():
        reason = "no MicroPython: the extra `test` brings it on Linux with x86-64"
        if IN_CI:
            pytest.fail(reason)
        pytest.skip(reason)
    return str(MICROPYTHON)


@pytest.fixture
def board(micropython: str, tmp_path: Path) -> Board:
    """Give a board these readings; return what the example prints there."""

    def run(rows: list[str]) -> bytes:
        path = tmp_path / "rows.txt"
        path.write_text("\n".join(rows), encoding="ascii")
        words = [micropython, str(BOARD), str(EXAMPLE), str(path)]
        ran = subprocess.run(words, capture_output=True, timeout=60, check=False)
        assert (ran.returncode, ran.stderr) == (0, b"")
        return ran.stdout

    return run


def read(text: bytes) -> tuple[list[TextHeader], list[TextSample], PodDecoder]:
    decoder = PodDecoder()
    decoder.receive_data(text)
    messages = list(decoder.events())
    headers = [m for m in messages if isinstance(m, TextHeader)]
    return headers, [m for m in messages if isinstance(m, TextSample)], decoder


def test_it_is_micropython_that_runs(micropython: str) -> None:
    asks = "import sys; print(sys.implementation[0])"
    ran = subprocess.run([micropython, "-c", asks], capture_output=True, check=True)
    assert ran.stdout.split() == [b"micropython"]


def test_its_lines_are_the_sensor_s_readings_on_the_board_s_time(board: Board) -> None:
    headers, samples, decoder = read(board([STILL] * 2000))
    assert decoder.counts.bad_lines == decoder.counts.headerless_lines == 0
    assert len(headers) == 1 + 10 // 3, "and again every 3 s"
    facts = dict(headers[0].facts)
    assert facts["accelerometer"] == facts["gyro"] == "mpu6050"
    assert (facts["accelerometer_range_g"], facts["calibration"]) == ("2", "none")
    assert len(samples) == pytest.approx(500, abs=1), "50 lines a second"
    assert {b.values[0] - a.values[0] for a, b in itertools.pairwise(samples)} == {20.0}
    for sample in samples:
        assert sample.values[1:] == (0.0, -1.0, 1.0, 0.0, 0.0, -1.0, 29.26)


def test_what_is_missing_is_left_out_and_the_time_goes_on(board: Board) -> None:
    rows = [STILL] * 1200
    rows[200:300] = ["gone"] * 100
    rows[500] = "reset"
    rows[800] = "busy 50"
    _, samples, decoder = read(board(rows))
    assert decoder.counts.bad_lines == 0
    assert {sample.values[1:] for sample in samples} == {(0.0, -1.0, 1.0, 0.0, 0.0, -1.0, 29.26)}
    steps = [b.values[0] - a.values[0] for a, b in itertools.pairwise(samples)]
    long = [step for step in steps if step != 20.0]
    assert [len(long), long[0]] == [3, pytest.approx(520.0, abs=25.0)]
    assert samples[-1].values[0] == pytest.approx(5980.0, abs=20.0)


@pytest.mark.parametrize(
    ("words", "names"),
    [
        (["camber", "--pod", "file:{log}"], ["camber"]),
        (["analyze", "{log}", "--measure", "sweep"], ["camber", "caster", SAI]),
    ],
)
def test_a_car_measured_through_it_agrees_with_the_truth(
    words: list[str],
    names: list[str],
    board: Board,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    car = on_car("sweep" if "sweep" in words else "camber", seed=5)
    log = tmp_path / "pod.csv"
    log.write_bytes(board(car.rows))
    calibration = write_calibration(car.calibration, "my-second-pod", tmp_path)
    words = [word.format(log=log) for word in words]
    found = told(capsys, *words, "--wheel", "LF", "--calibration", str(calibration))
    for name in names:
        result = found["results"][name]
        half = result["expanded_uncertainty"]
        assert result["value"] == pytest.approx(car.truth[name], abs=half)
        assert half < 0.8, "an interval that holds everything would be no result"
