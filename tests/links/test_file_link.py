"""What is special about recordings: what is none, several streams, odd logs."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from knuckle.errors import LinkError, LinkNotFound, LinkPermission, LinkWrongDevice, UsageError
from knuckle.links.contract import Chunk
from knuckle.links.file import FileLink
from knuckle.links.schemes import open_link
from knuckle.model.wheel import Wheel
from knuckle.store.capture import CapturedStream, CaptureWriter


def replay(link: FileLink) -> list[Chunk]:
    async def run() -> list[Chunk]:
        async with link:
            return [chunk async for chunk in link.chunks()]

    return asyncio.run(run())


def data_of(link: FileLink) -> bytes:
    return b"".join(chunk.data for chunk in replay(link))


def two_streams(path: Path) -> Path:
    with CaptureWriter(path, [CapturedStream("LF"), CapturedStream("RF")]) as writer:
        writer.write(0, 1.0, b"left")
        writer.write(1, 1.5, b"right")
        writer.write(0, 9.0, b"left again")
    return path


@pytest.mark.parametrize(
    ("content", "named"),
    [
        (b"", "empty"),
        (b"\x00\x01\x02\xff" * 100, "neither"),
        (b"x" * 200_000, "neither"),
        (b"# only=facts\n", "neither"),
        (b"time,ax,ay,az\n1,2,3,4\n", "names no time"),
        (b"\x89KNCAP\r\n\xff\xff", "damaged or cut"),
    ],
    ids=["empty", "junk", "no line end", "no header", "no time", "cut capture"],
)
def test_what_is_no_recording_is_told_so(tmp_path: Path, content: bytes, named: str) -> None:
    path = tmp_path / "x"
    path.write_bytes(content)
    with pytest.raises(LinkWrongDevice, match=named) as caught:
        replay(FileLink(path))
    assert caught.value.next_step


def test_a_folder_and_a_missing_file_are_not_found(tmp_path: Path) -> None:
    with pytest.raises(LinkNotFound, match="folder"):
        replay(FileLink(tmp_path))
    two_streams(tmp_path / "there.kncap")
    with pytest.raises(LinkNotFound) as caught:
        replay(FileLink(tmp_path / "elsewhere.kncap"))
    assert "there.kncap" in str(caught.value)


def test_a_file_that_may_not_be_read_is_a_permission(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = two_streams(tmp_path / "x.kncap")

    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refused)
    with pytest.raises(LinkPermission):
        replay(FileLink(path))


def test_a_disk_that_fails_on_the_way_is_a_link_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x.csv"
    path.write_text("t_s,ax_g,ay_g,az_g\n0.0,0,0,1\n")

    async def run() -> None:
        async with FileLink(path) as link:

            def failing() -> object:
                raise OSError(5, "Input/output error")
                yield

            monkeypatch.setattr(link, "_chunks", failing())
            with pytest.raises(LinkError, match="Input/output"):
                async for _ in link.chunks():
                    pass

    asyncio.run(run())


def test_the_wheels_own_stream_is_taken_or_the_one_named(tmp_path: Path) -> None:
    path = two_streams(tmp_path / "x.kncap")
    assert data_of(FileLink(path, wheel=Wheel.RF)) == b"right"
    assert data_of(FileLink(path, wheel=Wheel.LF)) == b"leftleft again"
    assert data_of(FileLink(path, stream=1, wheel=Wheel.LF)) == b"right"


def test_addresses_count_streams_from_one(tmp_path: Path) -> None:
    path = two_streams(tmp_path / "x.kncap")
    for number, data in ((1, b"leftleft again"), (2, b"right")):
        link = open_link(f"file:{path}?stream={number}")
        assert isinstance(link, FileLink)
        assert data_of(link) == data
    with pytest.raises(UsageError, match="from 1"):
        open_link(f"file:{path}?stream=0")


@pytest.mark.parametrize("stream", [None, 2])
def test_an_open_choice_of_streams_is_put_to_the_user(tmp_path: Path, stream: int | None) -> None:
    path = two_streams(tmp_path / "x.kncap")
    with pytest.raises(LinkNotFound) as caught:
        replay(FileLink(path, stream=stream, wheel=Wheel.RR))
    assert "1 (LF), 2 (RF)" in caught.value.cause


def test_a_recording_starts_at_its_first_arrival_and_keeps_its_pauses(tmp_path: Path) -> None:
    path = tmp_path / "x.kncap"
    with CaptureWriter(path, [CapturedStream()]) as writer:
        writer.write(0, 5000.0, b"a")
        writer.write(0, 5001.0, b"b")
    chunks = replay(FileLink(path))
    assert (chunks[0].arrival_s, chunks[-1].arrival_s) == (5000.0, 5001.0)
    assert all(not chunk.data for chunk in chunks[1:-1])
    assert 9 <= len(chunks[1:-1]) <= 10


def test_a_cut_capture_is_replayed_as_far_as_it_goes_with_a_notice(tmp_path: Path) -> None:
    path = two_streams(tmp_path / "x.kncap")
    path.write_bytes(path.read_bytes()[:-60])
    link = FileLink(path, stream=0)
    assert data_of(link) == b"left"
    assert link.notices


def test_a_logs_lines_arrive_when_they_say(tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text("t_ms,ax_g,ay_g,az_g\n" + "".join(f"{20 * n},0,0,1\n" for n in range(50)))
    chunks = [chunk for chunk in replay(FileLink(path)) if chunk.data]
    assert chunks[-1].arrival_s == pytest.approx(0.98)
    assert all(chunk.data.endswith(b"\n") for chunk in chunks)
    assert len(chunks) > 10


def test_an_odd_log_is_passed_on_unchanged(tmp_path: Path) -> None:
    odd = (
        "\ufeff# note=odd\n\nax_g,t_s,ay_g,az_g\n0,0.00,0,1\n0,soon,0,1\n0,0.02,0,1\n"
        "0,0.01,0,1\n0,inf,0,1\n0,nan,0,1\n0\n0,9.0,0,1"
    )
    path = tmp_path / "x.csv"
    path.write_text(odd, encoding="utf-8")
    chunks = replay(FileLink(path))
    assert b"".join(chunk.data for chunk in chunks) == odd.encode() + b"\n"
    times = [chunk.arrival_s for chunk in chunks]
    assert times == sorted(times)
    assert times[-1] == 9.0
