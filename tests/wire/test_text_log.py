"""The strict reader of CSV logs: what it takes, and what it says of what it does not."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from knuckle.errors import RecordingError
from knuckle.wire import textlog
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import TextSample
from knuckle.wire.textlog import read_csv, read_log

HEADER = "t_s,ax_g,ay_g,az_g\n"
TWO = HEADER + "0,0.1,0.2,0.9\n0.01,0.1,0.2,0.9\n"


@pytest.fixture
def read(tmp_path):
    def reader(content: str | bytes):
        path = tmp_path / "log.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_csv(path)

    return reader


def fault(read, content: str | bytes) -> RecordingError:
    with pytest.raises(RecordingError) as caught:
        read(content)
    return caught.value


def test_a_full_log(read):
    block, facts, notices = read(
        "# id=garage-2\n# accelerometer_range_g = 2\n# a comment\n"
        "temp_c,linear2_mm,t_s,ax_g,ay_g,az_g,gz_dps,gy_dps,gx_dps,linear_mm\n"
        "21.5,20,0.00,0.1,-1.999,0.3,3,2,1,10\n"
        "21.6,21,0.01,0.4,1.99,0.6,6,5,4,11\n"
        "21.7,22,0.02,0.4,0.5,0.6,6,5,4,11\n"
    )
    assert facts == {"id": "garage-2", "accelerometer_range_g": "2"}
    assert notices == []
    assert block.t_s.tolist() == [0.0, 0.01, 0.02]
    assert block.accel_g[0].tolist() == [0.1, -1.999, 0.3]
    assert block.gyro_dps[0].tolist() == [1, 2, 3]
    assert block.temp_c.tolist() == [21.5, 21.6, 21.7]
    assert block.linear_mm[0].tolist() == [10, 20]
    assert block.clipped.tolist() == [True, False, False]
    assert block.rate_hz == pytest.approx(100)
    assert block.lost_before.tolist() == [0, 0, 0]
    assert block.stretch.tolist() == [0, 0, 0]


def test_optional_columns_are_none(read):
    block, _, _ = read(TWO)
    assert block.gyro_dps is None
    assert block.temp_c is None
    assert block.linear_mm is None
    assert not block.clipped.any()


def test_milliseconds(read):
    block, _, _ = read("t_ms,ax_g,ay_g,az_g\n0,0,0,1\n5,0,0,1\n10,0,0,1\n")
    assert block.t_s.tolist() == [0, 0.005, 0.01]
    assert block.rate_hz == pytest.approx(200)


def test_gaps_are_marked_and_long_ones_start_a_stretch(read):
    times = [0.0, 0.01, 0.02, 0.05, 0.06, 0.31, 0.32, 0.58, 0.59]
    block, _, _ = read(HEADER + "".join(f"{t},0,0,1\n" for t in times))
    assert block.lost_before.tolist() == [0, 0, 0, 2, 0, 24, 0, 25, 0]
    assert block.stretch.tolist() == [0, 0, 0, 0, 0, 0, 0, 1, 1]
    assert block.rate_hz == pytest.approx(100)


def test_a_slow_log_has_no_gaps(read):
    block, _, _ = read(HEADER + "".join(f"{t},0,0,1\n" for t in range(5)))
    assert block.stretch.tolist() == [0] * 5
    assert block.rate_hz == 1


def test_times_rounded_to_milliseconds_keep_the_rate(read):
    rows = "".join(f"{round(i / 0.3)},0,0,1\n" for i in range(3001))
    block, _, _ = read("t_ms,ax_g,ay_g,az_g\n" + rows)
    assert block.rate_hz == pytest.approx(300, rel=1e-3)
    assert not block.lost_before.any()


@pytest.mark.parametrize(
    "content",
    [
        "\ufeff" + TWO,
        TWO.replace("\n", "\r\n"),
        TWO[:-1],
        TWO.replace(",", ", "),
        TWO.replace(",", " , "),
        TWO.replace("\n", "\n\n"),
        TWO.replace("\n", "\n# note\n"),
        TWO + "# end",
        HEADER + TWO,
        TWO.replace("0.01,", HEADER + "0.01,"),
        TWO.replace("t_s,ax_g", '"t_s","ax_g"'),
        TWO.replace("0.1,", "+1e-1,"),
        "# größe=µm\n" + TWO,
    ],
)
def test_the_same_log_in_other_dress(read, content):
    block, _, notices = read(content)
    assert block.t_s.tolist() == [0, 0.01]
    assert block.accel_g.tolist() == [[0.1, 0.2, 0.9]] * 2
    assert notices == []


def test_other_columns_are_passed_over_with_a_notice(read):
    block, _, notices = read("t_s,note,ax_g,ay_g,az_g,utc\n0,a,0,0,1,x\n1,,0,0,1,y\n")
    assert len(block) == 2
    assert notices == ["Columns without a meaning here: note, utc."]


@pytest.mark.parametrize("tail", ["0.02,0.1,0.2", "0.02,0.1,0.2,", "0.02,0.1,0.2,-", "0.0", "x"])
def test_a_last_line_cut_off_is_left_out_with_a_notice(read, tail):
    block, _, notices = read(TWO + tail)
    assert len(block) == 2
    assert notices == ["The last line is cut off and was left out."]


@pytest.mark.parametrize(
    ("content", "place", "words"),
    [
        (HEADER + "0,0,0,1\n1,nan,0,1\n", "line 3, column 2", "'nan' is not a number"),
        (HEADER + "0,0,0,1\n1,0,inf,1\n", "line 3, column 3", "'inf' is not a number"),
        (HEADER + "0,0,0,1\n1,0,0,1e999\n", "line 3, column 4", "'1e999' is not a number"),
        (HEADER + "0,0,0,1\n1,abc,0,1\n", "line 3, column 2", "ax_g: 'abc' is not a number"),
        (HEADER + "0,0,0,1\n1,1_0,0,1\n", "line 3, column 2", "'1_0' is not a number"),
        (HEADER + "0,0,0,1\n1,0 2,0,1\n", "line 3, column 2", "'0 2' is not a number"),
        (HEADER + "0,0,0,1\n1,,0,1\n", "line 3, column 2", "a value is missing"),
        (
            HEADER + "0,0,0,1\n1,0,0\n2,0,0,1\n",
            "line 3, column 4",
            "3 columns, but the header has 4",
        ),
        (HEADER + "0,0,0,1\n1,0,0,1,x\n", "line 3, column 5", "5 columns, but the header has 4"),
        (HEADER + "0,0,0,1\n\n# x\n0,0,0,1\n", "line 5, column 1", "t_s goes from 0 to 0"),
        (HEADER + "1,0,0,1\n0.5,0,0,1\n", "line 3, column 1", "t_s goes from 1 to 0.5"),
        (HEADER + "0,01,0,02,0,03,1,00\n", "line 2", "decimal commas"),
        (HEADER + "0,01,0,02,0,03,1\n", "line 2", "decimal commas"),
        (HEADER.replace(",", ";") + "0;0;0;1\n", "line 1", "semicolons"),
        (HEADER.replace(",", ";") + "0,0;0,1;0,1;1,0\n", "line 1", "semicolons"),
        (HEADER.replace(",", "\t"), "line 1", "tabs"),
        (
            HEADER.replace("ax_g", "ax_ms2"),
            "line 1, column 2",
            "Expected ax_g (accelerometer in g)",
        ),
        (HEADER.replace("ay_g", "ay"), "line 1, column 3", "Expected ay_g"),
        (HEADER.replace("ax_g", "AX_G"), "line 1, column 2", "Expected ax_g"),
        (HEADER.replace("t_s", "t"), "line 1, column 1", "Expected t_s (seconds)"),
        (HEADER.replace("t_s", "t_us"), "line 1, column 1", "t_ms (milliseconds)"),
        (HEADER[:-1] + ",gx_rads\n", "line 1, column 5", "Expected gx_dps"),
        (HEADER[:-1] + ",temp_f\n", "line 1, column 5", "Expected temp_c"),
        (HEADER[:-1] + ",linear_in\n", "line 1, column 5", "Expected linear_mm"),
        (HEADER[:-1] + ",ax_g\n", "line 1, column 5", "ax_g appears twice"),
        (HEADER[:-1] + ",t_ms\n", "line 1", "both t_s and t_ms"),
        (HEADER[:-1] + ",gx_dps,gz_dps\n", "line 1", "gy_dps missing"),
        ("ax_g,ay_g,az_g\n0,0,1\n", "line 1", "no time column"),
        ("t_s,ax_g,az_g\n0,0,1\n", "line 1", "ay_g missing"),
        ("0,0,0,1\n1,0,0,1\n", "line 1", "no header line before the samples"),
        ("hello\n", "line 1", "no time column"),
        (TWO + "t_s,ax_g,ay_g,az_g,temp_c\n", "line 4", "a second header"),
        (TWO + "t_ms,ax_g,ay_g,az_g\n", "line 4", "a second header"),
        ("# accelerometer_range_g=two\n" + TWO, "line 1", "'two' is not a positive number"),
        (HEADER + "0,0,0," + "1" * 70000 + "\n", "line 2", "longer than 65536 bytes"),
        (HEADER + "0,0,0," + "1" * 2_000_000, "line 2", "longer than 65536 bytes"),
        ("x" * 3_000_000, "line 1", "longer than 65536 bytes"),
        (TWO.encode() + b"\x91\x92,0,0,1\n", "line 4", "not text"),
        (TWO.encode() + b"0.02,0,\x07,1\n", "line 4", "control characters"),
        (TWO.replace("\n", "\r"), "line 1", "CR alone"),
    ],
)
def test_what_is_wrong_is_named_by_line_and_column(read, content, place, words):
    error = fault(read, content)
    assert error.what.startswith(f"log.csv, {place}")
    assert words in str(error)
    assert error.next_step


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "is empty"),
        ("\n", "no header line"),
        ("# id=x\n", "no header line"),
        (HEADER, "no samples under its header"),
        (HEADER[:-1], "no samples under its header"),
        (HEADER + "0,0,0", "no samples under its header"),
        (HEADER + "0,0,0,1\n", "one sample under its header"),
        (b"\x7fELF\0\0\x01\x91", "not a text file"),
        (TWO.encode("utf-16"), "UTF-16"),
    ],
)
def test_files_that_are_no_log(read, content, words):
    error = fault(read, content)
    assert words in str(error)
    assert error.next_step


@pytest.mark.parametrize(("factor", "unit"), [(9.80665, "m/s2"), (1000, "thousandths of a g")])
def test_readings_in_another_unit_than_the_header_says(read, factor, unit):
    rows = "".join(f"{t},0,{0.6 * factor},{0.8 * factor}\n" for t in range(5))
    error = fault(read, HEADER + rows)
    assert "ax_g, ay_g, az_g" in error.what
    assert unit in error.cause


def test_missing_file_and_folder(tmp_path):
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(RecordingError, match="cannot be read"):
            read_csv(path)


def test_an_error_far_down_names_its_line(read, monkeypatch):
    monkeypatch.setattr(textlog, "PIECE_BYTES", 1000)
    rows = [f"{i / 100:.2f},0,0,1\n" for i in range(500)]
    rows[137] = HEADER + "# note\n" + rows[137]
    rows[421] = "4.21,0,oops,1\n"
    assert "line 425, column 3" in fault(read, HEADER + "".join(rows)).what
    rows[421] = "4.20,0,0,1\n"
    assert "line 425, column 1" in fault(read, HEADER + "".join(rows)).what


@pytest.mark.parametrize("piece", range(60, 90))
def test_time_is_watched_over_the_ends_of_pieces(read, monkeypatch, piece):
    monkeypatch.setattr(textlog, "PIECE_BYTES", piece)
    rows = "".join(f"{t},0,0,1\n" for t in (1, 2, 3, 4, 5, 6, 6, 7, 8))
    assert "line 8, column 1: t_s goes from 6 to 6" in fault(read, HEADER + rows).what


@pytest.mark.parametrize("junk", [b"\xff", b"PK\3\4", b"SQLite format 3", b"{", b"<", b"\x1f\x8b"])
def test_other_kinds_of_file(read, junk):
    rng = np.random.default_rng(5)
    assert fault(read, junk + rng.bytes(5000)).next_step


number = st.floats(-4, 4)


@settings(max_examples=60)
@given(
    st.lists(st.tuples(number, number, number), min_size=2, max_size=60),
    st.integers(20, 300),
    st.lists(st.sampled_from(["", "# x\n", "\n", HEADER]), min_size=3, max_size=3),
)
def test_quick_and_slow_reading_agree_with_the_stream(tmp_path_factory, rows, piece, between):
    lines = [HEADER]
    for i, row in enumerate(rows):
        lines.append(between[i % 3] if i % 11 == 0 else "")
        lines.append(",".join(map(repr, (i * 0.25, *row))) + "\n")
    path = tmp_path_factory.getbasetemp() / "agree.csv"
    path.write_text("".join(lines))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(textlog, "PIECE_BYTES", piece)
        block, _, _ = read_csv(path)
    decoder = PodDecoder()
    decoder.receive_data(path.read_bytes())
    samples = [m.values for m in decoder.events() if isinstance(m, TextSample)]
    assert np.column_stack([block.t_s, block.accel_g]).tolist() == [list(v) for v in samples]


def test_memory_is_a_small_multiple_of_the_numbers(tmp_path):
    count = 60_000
    path = tmp_path / "long.csv"
    path.write_text(HEADER + "".join(f"{i / 200:.3f},0.012345,0.1,0.99\n" for i in range(count)))
    read_csv(path)
    tracemalloc.start()
    block, _, _ = read_csv(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(block) == count
    # Four columns of doubles, held twice while they are joined, and one piece being parsed.
    assert peak < 3 * count * 4 * 8 + 8 * textlog.PIECE_BYTES


def test_a_log_of_lengths_alone(tmp_path):
    path = tmp_path / "lengths.csv"
    path.write_text("t_s,linear_mm,linear2_mm\n" + "".join(f"{i / 50},{i},7\n" for i in range(9)))
    log = read_log(path)
    assert log.block is None
    assert log.linear_names == ("linear_mm", "linear2_mm")
    assert log.linear.linear_mm[:, 0].tolist() == list(range(9))
    assert log.linear.rate_hz == pytest.approx(50.0)
    with pytest.raises(RecordingError) as told:
        read_csv(path)
    assert "no accelerometer" in told.value.what
    assert "toe" in told.value.next_step


def test_neither_accelerometer_nor_lengths(tmp_path):
    path = tmp_path / "gyro.csv"
    path.write_text("t_s,gx_dps,gy_dps,gz_dps\n0,1,2,3\n1,1,2,3\n")
    with pytest.raises(RecordingError, match="ax_g, ay_g, az_g missing"):
        read_log(path)


def test_a_temperature_or_a_length_may_be_empty_and_nothing_else(tmp_path):
    path = tmp_path / "gaps.csv"
    head = "t_s,ax_g,ay_g,az_g,temp_c,linear_mm\n"
    path.write_text(
        head
        + "".join(f"{i / 50},0,0,1,{'' if i % 3 else 21},{i if i % 2 else ''}\n" for i in range(12))
    )
    log = read_log(path)
    assert np.isnan(log.block.temp_c).tolist() == [i % 3 > 0 for i in range(12)]
    assert np.isnan(log.block.linear_mm[:, 0]).tolist() == [i % 2 == 0 for i in range(12)]
    assert log.linear.linear_mm[:, 0].tolist() == [1, 3, 5, 7, 9, 11]
    assert log.linear.lost_before.tolist() == [0, 1, 1, 1, 1, 1]
    path.write_text(head + "0,0,,1,21,5\n0.02,0,0,1,21,5\n")
    with pytest.raises(RecordingError, match="a value is missing"):
        read_log(path)
