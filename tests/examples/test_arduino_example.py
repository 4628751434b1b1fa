"""The Arduino example, built as its users build it, run in the emulator with its sensor."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path

import pytest

from bench.conftest import Starter, built
from bench.told import told
from conftest import IN_CI
from examples.on_car import calibration_of, write_calibration
from firmware.board_program import FIRMWARE, make
from knuckle.bench.client import Bench
from knuckle.sim.rig import Rig
from knuckle.sim.scenario import load
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import TextHeader, TextSample

ARDUINO = Path("/usr/share/arduino/hardware/arduino/avr/cores")
HEADER = b"t_ms,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps,temp_c\n"
SKETCH = Path("examples/arduino/text_pod/text_pod.ino")
FEELS = ((0.125, -0.5, 0.75), 24.5, (1.5, -2.0, 0.25))
READS = (0.125, -0.5, 0.75, 1.5, -2.0, 0.25, 24.5)

Sketch = Callable[..., Bench]

pytestmark = pytest.mark.usefixtures("own_places")


@pytest.fixture(scope="session")
def sketch_elf(bench_folder: Path) -> Path:
    if not ARDUINO.exists():
        reason = "arduino-core-avr missing (tests/apt.txt)"
        if IN_CI:
            pytest.fail(reason)
        pytest.skip(reason)
    return built("examples") / "text_pod.elf"


@pytest.fixture
def sketch(start: Starter, sketch_elf: Path) -> Sketch:
    def run(elf: Path = sketch_elf, baud: int = 115200) -> Bench:
        bench = start(elf)
        bench.command("baud", baud)
        bench.hold(*FEELS)
        return bench

    return run


def read(text: bytes) -> tuple[list[TextHeader], list[TextSample], PodDecoder]:
    decoder = PodDecoder()
    decoder.receive_data(text)
    messages = list(decoder.events())
    headers = [m for m in messages if isinstance(m, TextHeader)]
    return headers, [m for m in messages if isinstance(m, TextSample)], decoder


def steps_ms(samples: list[TextSample]) -> list[float]:
    return [b.values[0] - a.values[0] for a, b in itertools.pairwise(samples)]


def test_its_lines_are_the_sensor_s_readings_on_the_board_s_time(sketch: Sketch) -> None:
    bench = sketch()
    headers, samples, decoder = read(bench.run_s(6.65))
    assert decoder.counts.bad_lines == decoder.counts.headerless_lines == 0
    assert len(headers) == 1 + 6 // 3, "and again every 3 s"
    facts = dict(headers[0].facts)
    assert facts["accelerometer"] == facts["gyro"] == "mpu6050"
    assert (facts["accelerometer_range_g"], facts["calibration"]) == ("2", "none")
    assert len(samples) == pytest.approx(325, abs=3), "50 lines a second"
    assert set(steps_ms(samples)) == {20.0}, "none is missed, the header's neither"
    for sample in samples:
        assert sample.values[1:] == pytest.approx(READS, abs=0.012)
    # SMPLRT_DIV, CONFIG, GYRO_CONFIG, ACCEL_CONFIG, PWR_MGMT_1, by the data sheet.
    kept = [bench.command("sensor", "mpu6050", "register", n)[0] for n in (0x1A, 0x1B, 0x1C, 0x6B)]
    assert kept == ["3", "0", "0", "1"]


def test_whoever_joins_late_reads_it_after_the_next_header(sketch: Sketch) -> None:
    bench = sketch()
    bench.run_s(1.0)
    headers, samples, decoder = read(bench.run_s(4.0))
    assert headers and decoder.counts.headerless_lines > 10
    assert len(samples) > 50


def test_a_sensor_that_goes_is_left_out_and_the_time_goes_on(sketch: Sketch) -> None:
    bench = sketch()
    bench.run_s(2.0)
    bench.command("sensor", "mpu6050", "gone")
    bench.run_s(0.1)
    assert bench.run_s(1.0) == b"", "nothing stands in for what is missing"
    bench.command("sensor", "mpu6050", "back")  # as after power: it sleeps
    _, after, decoder = read(HEADER + bench.run_s(2.0))
    assert decoder.counts.bad_lines <= 1, "the first may be cut off"
    assert after[0].values[0] == pytest.approx(3100 - 100, abs=60)
    for sample in after[5:]:
        assert sample.values[1:] == pytest.approx(READS, abs=0.012)


def test_a_held_bus_does_not_hold_the_program_for_ever(sketch: Sketch) -> None:
    bench = sketch()
    bench.run_s(2.0)
    bench.command("bus", "sda", "ever")
    bench.run_s(1.0)
    bench.command("bus", "free")
    _, after, _ = read(HEADER + bench.run_s(2.0))
    assert len(after) > 50
    for sample in after[5:]:
        assert sample.values[1:] == pytest.approx(READS, abs=0.012)


def test_set_for_9600_baud_it_loses_nothing(
    sketch: Sketch, sketch_elf: Path, tmp_path: Path
) -> None:
    """With the two constants changed as docs/own-pod.md says."""
    source = (FIRMWARE / SKETCH).read_text(encoding="utf-8")
    slow = source.replace("BAUD = 115200", "BAUD = 9600").replace("AVERAGE = 4", "AVERAGE = 25")
    assert slow.count("9600") == source.count("9600") + 1
    (tmp_path / "slow.ino").write_text(slow, encoding="utf-8")
    elf = tmp_path / "slow.elf"
    done = make(f"EXAMPLE={tmp_path}/slow.ino", f"EXAMPLE_ELF={elf}", "examples")
    assert done.returncode == 0, done.stderr
    bench = sketch(elf, baud=9600)
    headers, samples, decoder = read(bench.run_s(10.5))
    assert decoder.counts.bad_lines == decoder.counts.headerless_lines == 0
    assert len(headers) == 1 + 10 // 3
    assert len(samples) == pytest.approx(8 * 10, abs=3), "8 lines a second"
    assert set(steps_ms(samples)) == {125.0}


def test_camber_measured_through_it_agrees_with_the_truth(
    sketch_elf: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = Rig(load("garage", wheel="LF", purpose="camber", seed=5), 5)
    calibration = write_calibration(calibration_of(rig), "my-first-pod", tmp_path)
    pod = f"avr:garage?seed=5&pod.starts_streaming=true&elf={sketch_elf}"
    words = ["camber", "--wheel", "LF", "--pod", pod, "--calibration", str(calibration)]
    result = told(capsys, *words)["results"]["camber"]
    half = result["expanded_uncertainty"]
    assert result["value"] == pytest.approx(rig.truth().wheel.camber_deg, abs=half)
    assert half < 0.6, "an interval that holds everything would be no result"
