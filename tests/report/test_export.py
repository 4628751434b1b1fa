from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from knuckle.errors import RecordingError, UsageError
from knuckle.report.export import (
    columns_of,
    corrected_range_g,
    export_capture,
    export_csv,
    export_json,
    export_parquet,
    log_facts,
    new_file,
)
from knuckle.report.run_json import detail_to_json
from knuckle.run.replay import read_recording
from knuckle.sim.recording import simulate_block
from knuckle.sim.scenario import load
from knuckle.store.capture import read_capture
from knuckle.store.database import Store
from knuckle.store.recording import block_of_run, decode
from knuckle.wire.textlog import read_csv
from report.made_sweep import made_block
from report.stored_sweep import ACCEL_SCALE, GYRO_SCALE, fill

NONE = {"source": "none"}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store(tmp_path / "runs.sqlite3") as opened:
        yield opened


def test_stored_bytes_give_the_samples_back(store: Store):
    run = fill(store)
    block, made = block_of_run(store, run, 0), made_block()
    assert len(block) == len(made)
    assert block.gyro_dps is not None and made.gyro_dps is not None
    assert np.max(np.abs(block.accel_g - made.accel_g)) <= 0.5001 * ACCEL_SCALE
    assert np.max(np.abs(block.gyro_dps - made.gyro_dps)) <= 0.5001 * GYRO_SCALE
    assert not block.lost_before.any() and not block.stretch.any()


def test_samples_do_not_depend_on_how_the_bytes_were_cut(store: Store):
    one = block_of_run(store, fill(store, seed=1), 0)
    two = block_of_run(store, fill(store, seed=2), 0)
    assert np.array_equal(one.t_s, two.t_s)
    assert np.array_equal(one.accel_g, two.accel_g)


def test_run_without_samples_and_missing_stream_are_told(store: Store):
    run = store.begin_run("watch", ["LF"])
    store.add_chunk(run, 0, 0.0, b"\x00\x00noise\x00")
    store.finish_run(run)
    with pytest.raises(RecordingError, match="holds no samples"):
        block_of_run(store, run, 0)
    with pytest.raises(RecordingError, match="no stream 1"):
        block_of_run(store, run, 1)
    with pytest.raises(UsageError, match="no run 9"):
        block_of_run(store, 9, 0)


def test_csv_is_read_back_to_the_last_digit(store: Store, tmp_path: Path):
    run = fill(store, lost_batch=40)
    block = block_of_run(store, run, 0)
    path = tmp_path / "run.csv"
    rows = 0

    def count(done: float) -> None:
        nonlocal rows
        rows += int(done)

    export_csv(block, path, log_facts(store.run(run), 0, NONE), progress=count)
    assert rows == len(block)
    back, facts, notices = read_csv(path)
    assert notices == []
    assert np.array_equal(back.t_s, block.t_s)
    assert np.array_equal(back.accel_g, block.accel_g)
    assert block.gyro_dps is not None
    assert np.array_equal(back.gyro_dps, block.gyro_dps)
    assert np.array_equal(back.lost_before, block.lost_before) and back.lost_before.sum() == 10
    assert np.array_equal(back.stretch, block.stretch)
    assert back.rate_hz == pytest.approx(block.rate_hz, rel=1e-9)
    assert facts["wheel"] == "LF" and facts["run"] == str(run)
    assert facts["id"] == "0001020304050607"
    assert float(facts["accelerometer_range_g"]) == 2.0
    assert facts["calibration"] == "none"


def test_exported_readings_are_not_taken_as_calibrated(store: Store, tmp_path: Path):
    run = fill(store)
    path = tmp_path / "run.csv"
    export_csv(block_of_run(store, run, 0), path, log_facts(store.run(run), 0, NONE))
    assert not read_recording(path).says_calibrated
    export_csv(made_block(), path, {}, overwrite=True)
    assert read_recording(path).says_calibrated, "a log that says nothing is calibrated"


def test_csv_has_every_channel_with_its_unit(tmp_path: Path):
    block = made_block()
    assert list(columns_of(block)) == [
        "t_s",
        "ax_g",
        "ay_g",
        "az_g",
        "gx_dps",
        "gy_dps",
        "gz_dps",
        "temp_c",
        "linear_mm",
        "linear2_mm",
    ]
    export_csv(block, tmp_path / "all.csv", {})
    back, _, notices = read_csv(tmp_path / "all.csv")
    assert notices == []
    assert back.linear_mm is not None and back.temp_c is not None and block.linear_mm is not None
    assert np.array_equal(back.linear_mm, block.linear_mm)
    assert np.array_equal(back.temp_c, block.temp_c)


def test_clipping_survives_the_csv(tmp_path: Path):
    block = made_block()
    block.accel_g[100, 2] = 2.0
    export_csv(block, tmp_path / "clip.csv", {"accelerometer_range_g": "2.0"})
    back, _, _ = read_csv(tmp_path / "clip.csv")
    assert list(np.flatnonzero(back.clipped)) == [100]


def test_clipping_is_found_in_corrected_readings_too(tmp_path: Path):
    block = made_block()
    block.accel_g[100, 2] = block.accel_g[200, 2] = 2.0
    clipped = np.zeros(len(block), dtype=np.bool_)
    clipped[[100, 200]] = True
    matrix = np.array([[1.01, 0.002, -0.003], [0.001, 0.99, 0.004], [-0.002, 0.003, 1.02]])
    corrected = replace(block, accel_g=block.accel_g @ np.linalg.inv(matrix).T, clipped=clipped)
    range_g = corrected_range_g(corrected, 2.0)
    assert range_g < 2.0
    export_csv(corrected, tmp_path / "clip.csv", {"accelerometer_range_g": repr(range_g)})
    back, _, _ = read_csv(tmp_path / "clip.csv")
    assert list(np.flatnonzero(back.clipped)) == [100, 200]

    sound = replace(block, accel_g=made_block().accel_g * 1.99, clipped=clipped & False)
    range_g = corrected_range_g(sound, 1.5)
    export_csv(sound, tmp_path / "sound.csv", {"accelerometer_range_g": repr(range_g)})
    assert not read_csv(tmp_path / "sound.csv")[0].clipped.any()


def test_capture_holds_the_same_bytes_at_the_same_times(store: Store, tmp_path: Path):
    run = fill(store)
    export_capture(store, run, tmp_path / "run.kncap")
    with read_capture(tmp_path / "run.kncap") as reader:
        assert list(reader) == list(store.chunks(run))
        assert reader.notices == []
        assert reader.header.streams[0].wheel == "LF"
        assert reader.header.started_utc == "2026-03-01T12:00:00.000+00:00"
        assert reader.header.facts["seed"] == 7
    with read_capture(tmp_path / "run.kncap") as reader:
        decoded = decode(chunk.data for chunk in reader)
    assert decoded.block is not None and decoded.hello is not None
    assert np.array_equal(decoded.block.accel_g, block_of_run(store, run, 0).accel_g)
    assert decoded.hello.name == "left pod"


def test_json_holds_the_documented_objects(store: Store, tmp_path: Path):
    run = fill(store)
    export_json(detail_to_json(store.run(run), {}), tmp_path / "run.json")
    content = json.loads((tmp_path / "run.json").read_text(encoding="utf-8"))
    assert content["schema"] == 1 and content["run"] == run
    assert content["facts"] == {"seed": 7, "brake": "on"}
    (outcome,) = content["outcomes"]
    assert outcome["schema"] == 1 and outcome["method"] == "sweep-1"
    assert outcome["results"]["caster"]["value"] == 5.0
    assert content["notes"][0]["text"] == "before the bushes were changed"
    assert content["streams"][0]["hello"]["hardware"] == "bench"


def test_parquet_holds_the_same_columns_and_the_gaps(tmp_path: Path):
    pandas = pytest.importorskip("pandas")
    pytest.importorskip("pyarrow")
    block = made_block()
    export_parquet(block, tmp_path / "run.parquet", {"wheel": "LF"})
    frame = pandas.read_parquet(tmp_path / "run.parquet")
    assert list(frame.columns) == [*columns_of(block), "lost_before", "stretch", "clipped"]
    assert np.array_equal(frame["ay_g"].to_numpy(), block.accel_g[:, 1])
    assert frame.attrs["wheel"] == "LF" and frame.attrs["rate_hz"] == 100.0


@pytest.mark.parametrize("package", ["pandas", "pyarrow"])
def test_absent_extra_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, package: str):
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(UsageError, match=package) as caught:
        export_parquet(made_block(), tmp_path / "run.parquet", {})
    assert "knuckle[parquet]" in caught.value.next_step
    assert list(tmp_path.iterdir()) == []


def test_existing_file_is_kept_unless_told_otherwise(tmp_path: Path):
    path = tmp_path / "run.csv"
    path.write_text("precious")
    with pytest.raises(UsageError, match="exists already"):
        export_csv(made_block(), path, {})
    assert path.read_text() == "precious"
    export_csv(made_block(), path, {}, overwrite=True)
    assert path.read_text().startswith("t_s,")


def test_what_cannot_be_written_leaves_nothing_behind(tmp_path: Path):
    with pytest.raises(RecordingError, match="cannot be written"):
        export_csv(made_block(), tmp_path / "absent" / "run.csv", {})

    class Full(OSError):
        strerror = "No space left on device"

    path = tmp_path / "run.csv"
    path.write_text("old")
    with pytest.raises(RecordingError, match="No space left"), new_file(path, True) as part:
        part.write_text("half")
        raise Full
    assert path.read_text() == "old"
    assert [item.name for item in tmp_path.iterdir()] == ["run.csv"]


def test_what_was_not_read_is_an_empty_cell_and_comes_back(tmp_path: Path):
    block = simulate_block(load("draw_wire"), 3, duration_s=3.0).block
    assert block.temp_c is not None and block.linear_mm is not None
    block.temp_c[10:13] = np.nan
    block.linear_mm[40:60] = np.nan
    export_csv(block, tmp_path / "gaps.csv", {})
    assert "nan" not in (tmp_path / "gaps.csv").read_text()
    back, _, notices = read_csv(tmp_path / "gaps.csv")
    assert notices == []
    assert back.temp_c is not None and back.linear_mm is not None
    np.testing.assert_array_equal(back.temp_c, block.temp_c)
    np.testing.assert_array_equal(back.linear_mm, block.linear_mm)
