"""Bad bytes are counted, never raised; the decoder finds its way back; memory is bounded."""

from __future__ import annotations

import random
import tracemalloc

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from knuckle.wire import decoder as decoder_module
from knuckle.wire.codec import encode_message
from knuckle.wire.commands import CommandDecoder
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import Button, Hello, SampleBatch, Status, TextHeader, TextSample
from vectors.wire_vectors import POD_FRAMES, message_of

HELLO = message_of(POD_FRAMES[0])


def stream(count: int, first: int = 0) -> list[bytes]:
    rng = random.Random(count)
    return [
        encode_message(SampleBatch((first + i) & 0xFFFF, i * 2500, 1, 3, rng.randbytes(42)))
        for i in range(count)
    ]


def run(pieces: list[bytes]) -> tuple[list, PodDecoder]:
    decoder = PodDecoder()
    found = []
    for piece in pieces:
        decoder.receive_data(piece)
        found.extend(decoder.events())
    return found, decoder


def in_pieces(data: bytes, sizes: list[int]) -> list[bytes]:
    pieces, at, turn = [], 0, 0
    while at < len(data):
        size = sizes[turn % len(sizes)]
        pieces.append(data[at : at + size])
        at, turn = at + size, turn + 1
    return pieces


def test_one_corrupted_byte_costs_one_frame_or_two():
    frames = stream(9)
    whole = b"".join(frames)
    rng = random.Random(4)
    for at in range(len(frames[0]), len(whole)):
        data = bytearray(whole)
        data[at] ^= rng.randrange(1, 256)
        found, decoder = run([bytes(data)])
        # A corrupted delimiter joins nothing: each frame has its own two.
        assert len(found) >= 8
        assert found == [m for m in run(frames)[0] if m in found]
        counts = decoder.counts
        assert counts.bad_crc + counts.bad_cobs + counts.too_long + counts.bad_lines <= 2


def test_a_missing_byte_costs_one_frame():
    frames = stream(5)
    for at in range(1, len(frames[2]) - 1):
        broken = frames[2][:at] + frames[2][at + 1 :]
        found, decoder = run([*frames[:2], broken, *frames[3:]])
        assert [m.sequence for m in found] == [0, 1, 3, 4]
        assert decoder.counts.lost_frames == 1
        assert decoder.counts.bad_crc + decoder.counts.bad_cobs == 1


def test_lost_frames_are_counted_over_the_wrap():
    frames = stream(20, first=65530)
    found, decoder = run(frames[:4] + frames[9:])
    assert len(found) == 15
    assert decoder.counts.lost_frames == 5


def test_a_restart_is_no_loss():
    _, decoder = run([*stream(5, first=40000), encode_message(HELLO), *stream(5)])
    assert decoder.counts.lost_frames == 0
    # Even if the hello was lost, a step back is none.
    _, decoder = run([*stream(5, first=300), *stream(5)])
    assert decoder.counts.lost_frames == 0


def test_a_hello_while_streaming_does_not_hide_a_loss():
    frames = stream(9)
    _, decoder = run([frames[0], encode_message(HELLO._replace(streaming=True)), frames[4]])
    assert decoder.counts.lost_frames == 3


def test_joining_midway_is_no_fault_of_the_line():
    frames = stream(4)
    for at in range(1, len(frames[0])):
        found, decoder = run([frames[0][at:], *frames[1:]])
        assert [m.sequence for m in found][-3:] == [1, 2, 3]
        counts = decoder.counts
        assert counts.bad_crc == counts.bad_cobs == counts.too_long == counts.bad_lines == 0


def test_boot_messages_and_a_lost_delimiter():
    boot = b"\r\nets Jan  1 2020 00:00:00\r\nrst:0x1 (POWERON)\r\nt=1, ready\r\n"
    found, decoder = run([boot, encode_message(HELLO), encode_message(Button(5, True))])
    assert found == [HELLO, Button(5, True)]
    assert decoder.counts.bad_crc == decoder.counts.bad_cobs == 0
    assert decoder.counts.discarded_bytes > 40


piece_sizes = st.lists(st.integers(1, 400), min_size=1, max_size=5)
fragments = st.one_of(
    st.binary(max_size=80),
    st.sampled_from([b"\0", b"\n", b"\r\n", b"\xef\xbb\xbf", b"\0\0"]),
    st.sampled_from([encode_message(message_of(v)) for v in POD_FRAMES]),
    st.sampled_from(stream(12)),
    st.sampled_from(
        [
            b"t_s,ax_g,ay_g,az_g\n",
            b"0.01,0,0.5,1\n",
            b"# id=x\n",
            b"t_ms,note,ax_g,ay_g,az_g\r\n",
            b"5,hello,0,0,1\r\n",
            b"0.01,0,nan,1\n",
        ]
    ),
    st.integers(1, 1500).map(lambda n: b"7" * n),
    st.integers(1, 600).map(lambda n: b"\x91" * n),
)


@settings(max_examples=400)
@given(st.lists(fragments, max_size=14).map(b"".join), piece_sizes)
@example(b"\0" + b"a" * 251 + b"\n\0", [1])
@example(b"\0" + b"a" * 252 + b"\n1\0", [252])
@example(b"\0" + b"\x91" * 252 + b"\n1\0", [100])
def test_anything_decodes_the_same_however_it_is_cut(data, sizes):
    # A delimiter at the end, so that nothing is left waiting in one of the two.
    data += b"\0"
    whole, all_at_once = run([data])
    pieces, bit_by_bit = run(in_pieces(data, sizes))
    assert pieces == whole
    assert bit_by_bit.counts == all_at_once.counts


@given(st.binary(max_size=2000), piece_sizes)
def test_fuzz_never_raises_and_recovers_at_the_next_delimiter(junk, sizes):
    good = encode_message(Status(1, 2, 3, 4, 5, 6))
    found, _ = run(in_pieces(junk + b"\0" + good, sizes))
    assert found[-1] == Status(1, 2, 3, 4, 5, 6)


@given(st.lists(fragments, max_size=8).map(b"".join))
def test_no_byte_goes_uncounted(data):
    decoder = PodDecoder()
    decoder.receive_data(b"\0" + data + b"\0")
    for _ in decoder.events():
        pass
    counts = decoder.counts
    if not (counts.frames or counts.text_lines or b"#" in data):
        blank = len(data) - len(data.translate(None, b"\0\n\r\t \x0b\x0c"))
        assert len(data) - blank <= counts.discarded_bytes + 3 * data.count(b"\xef\xbb\xbf")


@given(st.lists(fragments, max_size=8).map(b"".join), piece_sizes)
def test_the_pods_side_never_raises_either(junk, sizes):
    decoder = CommandDecoder()
    for piece in in_pieces(junk + b"\0", sizes):
        decoder.receive_data(piece)
    decoder.receive_data(bytes.fromhex("00 05 42 07 06 46 00"))
    last = None
    while (command := decoder.next_event()) is not None:
        last = command
    assert last == (0x42, 7, b"")


@pytest.mark.parametrize("junk", [b"\x91", b"7", b"7,", b"\x91\n", b"\0\x91", b"a\n", b"# a=b\n"])
def test_memory_stays_bounded_on_endless_junk(junk):
    decoder = PodDecoder()
    piece = junk * (4096 // len(junk))
    tracemalloc.start()
    for _ in range(20):
        decoder.receive_data(piece)
        for _ in decoder.events():
            pass
    before, _ = tracemalloc.get_traced_memory()
    for _ in range(60):
        decoder.receive_data(piece)
        for _ in decoder.events():
            pass
    after, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert after - before < 4096
    assert peak < 2_000_000


def test_undecoded_bytes_are_bounded_and_the_oldest_go(monkeypatch):
    monkeypatch.setattr(decoder_module, "MOST_UNDECODED", 10_000)
    frames = stream(400)
    decoder = PodDecoder()
    for frame in frames:
        decoder.receive_data(frame)
    found = list(decoder.events())
    assert found[-1].sequence == 399
    assert 10_000 // len(frames[0]) - 2 <= len(found) <= 10_000 // len(frames[0]) + 1
    total = sum(map(len, frames))
    assert decoder.counts.discarded_bytes >= total - 10_000


def test_a_great_piece_at_once_is_decoded_whole():
    frames = stream(5000)
    found, decoder = run([b"".join(frames)])
    assert len(found) == 5000
    assert decoder.counts.discarded_bytes == 0


def test_nothing_decodes_before_it_is_asked_for():
    decoder = PodDecoder()
    decoder.receive_data(b"".join(stream(10)))
    assert decoder.counts.frames == 0
    assert decoder.next_event() is not None


def test_a_text_pod_survives_a_stray_delimiter():
    lines = [b"t_s,ax_g,ay_g,az_g\n"] + [b"%.2f,0.001,0.002,0.999\n" % (i / 100) for i in range(50)]
    found, decoder = run([b"".join(lines[:5]), b"\0", b"".join(lines[5:])])
    assert isinstance(found[0], TextHeader)
    assert [type(m) for m in found[1:]] == [TextSample] * 50
    assert decoder.counts.discarded_bytes == 0


def test_the_tail_of_a_broken_line_does_not_pass_for_a_sample():
    start = b"t_s,ax_g,ay_g,az_g\n12.34,0,0,1\n"
    for at in range(1, 12):
        line = b"12.35,0,0,1\n"
        data = start + line[:at] + b"\0" + line[at:] + b"12.36,0,0,1\n" * 40
        found, _ = run([data])
        times = {m.values[0] for m in found if isinstance(m, TextSample)}
        assert times == {12.34, 12.36}


def test_lines_between_stray_delimiters_are_read():
    text = b"t_s,ax_g,ay_g,az_g\n0.01,0,0,1\n"
    found, decoder = run([b"\0", text, b"\0", b"0.02,0,0,1\n\0"])
    assert [type(m) for m in found] == [TextHeader, TextSample, TextSample]
    assert decoder.counts.discarded_bytes == 0
    assert decoder.counts.bad_crc == decoder.counts.bad_cobs == 0


@pytest.mark.parametrize("stuffed", ["03ffff", "01", "0101", "010101", "02ff", "03ff01"])
def test_what_is_too_short_for_a_frame_is_none(stuffed):
    # The first one's CRC is right: it is that of no bytes at all.
    found, decoder = run([b"\0" + bytes.fromhex(stuffed) + b"\0"])
    assert found == []
    assert decoder.counts.bad_cobs == 1


def test_hello_restarts_of_a_binary_pod_after_text_noise():
    found, _ = run([b"\0", b"noise\nmore\n", encode_message(HELLO)])
    assert [type(m) for m in found] == [Hello]
