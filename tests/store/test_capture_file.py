from __future__ import annotations

import json
import struct
import zlib
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from knuckle.errors import RecordingError, UsageError
from knuckle.store.capture import (
    CAPTURE_VERSION,
    LONGEST_CHUNK,
    MAGIC,
    CapturedStream,
    CaptureWriter,
    is_capture,
    read_capture,
)
from knuckle.store.rows import StoredChunk

NOON = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)
STREAMS = (CapturedStream("LF", "serial:one"), CapturedStream(None, None))
CHUNKS = [
    StoredChunk(0, 0.0, b"\x00\x01\x02\x00"),
    StoredChunk(1, 0.125, bytes(range(256))),
    StoredChunk(0, 0.25, b"t_s,ax_g\r\n"),
    StoredChunk(0, 1e9 + 0.1, b"x" * 3000),
]
OLD = Path(__file__).with_name("capture_v1.kncap")


def written(path: Path, chunks: list[StoredChunk] = CHUNKS) -> bytes:
    with CaptureWriter(
        path, STREAMS, program_version="0.0.1", started_utc=NOON, facts={"seed": 7}
    ) as writer:
        for chunk in chunks:
            writer.write(*chunk)
    return path.read_bytes()


def test_round_trip(tmp_path: Path):
    path = tmp_path / "run.kncap"
    written(path)
    with read_capture(path) as reader:
        assert list(reader) == CHUNKS
        assert reader.notices == []
        assert reader.header.version == CAPTURE_VERSION
        assert reader.header.program_version == "0.0.1"
        assert reader.header.started_utc == "2026-03-01T12:00:00.000+00:00"
        assert reader.header.streams == STREAMS
        assert reader.header.facts == {"seed": 7}
    assert is_capture(path)


def test_bytes_are_those_of_the_document(tmp_path: Path):
    """Built here from docs/store.md alone, with struct and zlib."""
    path = tmp_path / "run.kncap"
    content = written(path, CHUNKS[:1])
    assert content[:8] == bytes.fromhex("89 4b 4e 43 41 50 0d 0a")
    version, length = struct.unpack_from("<HI", content, 8)
    assert version == 1
    header = content[14 : 14 + length]
    assert set(json.loads(header)) == {"program_version", "started_utc", "streams", "facts"}
    place = 14 + length
    assert struct.unpack_from("<I", content, place)[0] == zlib.crc32(header)
    place += 4
    record = struct.pack("<BdI", 0, 0.0, 4) + b"\x00\x01\x02\x00"
    record += struct.pack("<I", zlib.crc32(record))
    assert content[place : place + len(record)] == record
    place += len(record)
    end = struct.pack("<BdI", 255, 0.0, 8) + struct.pack("<Q", 1)
    assert content[place:] == end + struct.pack("<I", zlib.crc32(end))


def test_old_sample_is_still_read():
    with read_capture(OLD) as reader:
        assert list(reader) == CHUNKS
        assert reader.header.version == 1
        assert reader.header.streams == STREAMS
        assert reader.notices == []


def test_file_cut_anywhere_is_read_up_to_the_cut(tmp_path: Path):
    path = tmp_path / "run.kncap"
    content = written(path)
    header_end = len(MAGIC) + 6 + struct.unpack_from("<I", content, 10)[0] + 4
    ends = [header_end]
    for chunk in CHUNKS:
        ends.append(ends[-1] + 13 + len(chunk.data) + 4)
    for cut in range(len(content)):
        path.write_bytes(content[:cut])
        if cut < header_end:
            with pytest.raises(RecordingError):
                read_capture(path)
            continue
        with read_capture(path) as reader:
            whole = sum(end <= cut for end in ends) - 1
            assert list(reader) == CHUNKS[:whole]
            assert len(reader.notices) == 1


def test_damaged_chunk_is_left_out_with_a_notice(tmp_path: Path):
    path = tmp_path / "run.kncap"
    content = bytearray(written(path))
    place = bytes(content).index(bytes(range(256)))
    content[place + 5] ^= 0x10
    path.write_bytes(bytes(content))
    with read_capture(path) as reader:
        assert list(reader) == [CHUNKS[0], *CHUNKS[2:]]
        assert len(reader.notices) == 1 and "damaged" in reader.notices[0]


def test_two_damaged_chunks_in_a_row_end_the_reading(tmp_path: Path):
    path = tmp_path / "run.kncap"
    content = bytearray(written(path))
    for mark in (bytes(range(256)), b"t_s,ax_g"):
        content[bytes(content).index(mark) + 3] ^= 0x01
    path.write_bytes(bytes(content))
    with read_capture(path) as reader:
        assert list(reader) == CHUNKS[:1]
        assert len(reader.notices) == 2 and "damaged from byte" in reader.notices[1]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device that is always full")
def test_full_disk_is_told():
    writer = CaptureWriter("/dev/full", STREAMS, overwrite=True)
    with pytest.raises(RecordingError, match="No space left"):
        writer.flush()
    with pytest.raises(RecordingError, match="No space left"):
        for _ in range(100):
            writer.write(0, 0.0, bytes(10_000))
    with pytest.raises(RecordingError, match="No space left"):
        writer.close()


def test_only_known_streams_are_written(tmp_path: Path):
    with pytest.raises(ValueError, match="0 streams"):
        CaptureWriter(tmp_path / "none.kncap", [])
    with CaptureWriter(tmp_path / "run.kncap", STREAMS) as writer:
        for stream in (-1, 2, 255):
            with pytest.raises(ValueError, match="no stream"):
                writer.write(stream, 0.0, b"abc")


def test_bytes_after_the_end_are_noticed(tmp_path: Path):
    path = tmp_path / "run.kncap"
    path.write_bytes(written(path) + b"more")
    with read_capture(path) as reader:
        assert list(reader) == CHUNKS
        assert len(reader.notices) == 1 and "after the end" in reader.notices[0]


def test_missing_chunks_are_noticed(tmp_path: Path):
    path = tmp_path / "run.kncap"
    content = written(path)
    header_end = len(MAGIC) + 6 + struct.unpack_from("<I", content, 10)[0] + 4
    path.write_bytes(content[:header_end] + content[header_end + 13 + 4 + 4 :])
    with read_capture(path) as reader:
        assert list(reader) == CHUNKS[1:]
        assert reader.notices == ["4 chunks were written, 3 were found."]


def test_writer_that_was_not_closed_leaves_what_it_flushed(tmp_path: Path):
    path = tmp_path / "run.kncap"
    writer = CaptureWriter(path, STREAMS)
    writer.write(*CHUNKS[0])
    writer.flush()
    with read_capture(path) as reader:
        assert list(reader) == CHUNKS[:1]
        assert "no end mark" in reader.notices[0]
    writer.close()
    writer.close()


def test_long_chunk_is_parted_and_empty_one_dropped(tmp_path: Path):
    path = tmp_path / "run.kncap"
    data = bytes(LONGEST_CHUNK + 10)
    written(path, [StoredChunk(0, 1.0, data), StoredChunk(0, 2.0, b"")])
    with read_capture(path) as reader:
        chunks = list(reader)
    assert [len(chunk.data) for chunk in chunks] == [LONGEST_CHUNK, 10]
    assert b"".join(chunk.data for chunk in chunks) == data


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (b"t_s,ax_g,ay_g,az_g\n0,0,0,1\n", "not a capture file"),
        (bytes(range(256)), "not a capture file"),
        (MAGIC.replace(b"\r\n", b"\n") + b"\x01\x00", "not a capture file"),
        (MAGIC, "damaged or cut"),
        (MAGIC + b"\x00\x00" + bytes(40), "damaged or cut"),
        (MAGIC + b"\x63\x00" + bytes(40), "version 99"),
        (MAGIC + b"\x01\x00\xff\xff\xff\xff" + bytes(40), "damaged or cut"),
        (MAGIC + struct.pack("<HI", 1, 2) + b"[]" + struct.pack("<I", zlib.crc32(b"[]")), "header"),
    ],
)
def test_what_is_no_capture_file_is_told(tmp_path: Path, content: bytes, words: str):
    path = tmp_path / "run.kncap"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=words) as caught:
        read_capture(path)
    assert caught.value.what and caught.value.cause and caught.value.next_step


def test_missing_file_and_folder_are_told(tmp_path: Path):
    with pytest.raises(RecordingError, match="cannot be read"):
        read_capture(tmp_path / "absent.kncap")
    with pytest.raises(RecordingError, match="cannot be read"):
        read_capture(tmp_path)
    with pytest.raises(RecordingError, match="cannot be written"):
        CaptureWriter(tmp_path / "absent" / "run.kncap", STREAMS)


def test_existing_file_is_kept_unless_told_otherwise(tmp_path: Path):
    path = tmp_path / "run.kncap"
    path.write_bytes(b"precious")
    with pytest.raises(UsageError, match="exists already"):
        CaptureWriter(path, STREAMS)
    assert path.read_bytes() == b"precious"
    CaptureWriter(path, STREAMS, overwrite=True).close()
    assert is_capture(path)


@settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
@given(junk=st.binary(max_size=200), place=st.integers(0, 5000), keep_head=st.booleans())
def test_junk_never_raises_but_a_recording_error(
    tmp_path_factory: pytest.TempPathFactory, junk: bytes, place: int, keep_head: bool
):
    path = tmp_path_factory.getbasetemp() / "junk.kncap"
    path.unlink(missing_ok=True)
    content = written(path)
    place = place % len(content)
    path.write_bytes((content[:place] if keep_head else MAGIC[: place % 9]) + junk)
    try:
        with read_capture(path) as reader:
            for chunk in reader:
                assert chunk in CHUNKS
    except RecordingError:
        pass
