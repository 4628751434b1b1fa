"""What was cut off when a link was lost is joined to nothing that comes after it."""

from __future__ import annotations

import pytest

from knuckle.wire.codec import encode_message
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.framing import BROKEN_OFF
from knuckle.wire.messages import Message, SampleBatch, TextHeader, TextSample

HEADER = b"t_s,ax_g,ay_g,az_g\n"
LINES = b"".join(b"%d.5,0.01,0.02,1.00\n" % i for i in range(60))


def decoded(*pieces: bytes) -> tuple[list[Message], PodDecoder]:
    decoder = PodDecoder()
    found: list[Message] = []
    for piece in pieces:
        decoder.receive_data(piece)
        found += decoder.events()
    return found, decoder


@pytest.mark.parametrize("cut", range(20))
@pytest.mark.parametrize("resumed", range(20))
def test_no_line_is_made_of_two_halves(cut: int, resumed: int) -> None:
    sent = {float(f"{i}.5") for i in range(60)}
    before = HEADER + LINES[: 40 + cut]
    after = LINES[600 + resumed :]
    found, _ = decoded(before, BROKEN_OFF, after)
    assert isinstance(found[0], TextHeader)
    samples = [message for message in found if isinstance(message, TextSample)]
    assert len(samples) > 20
    for sample in samples:
        assert sample.values[0] in sent
        assert sample.values[1:] == (0.01, 0.02, 1.0)
    times = [sample.values[0] for sample in samples]
    assert times == sorted(times)


def test_it_costs_whole_lines_one_at_most() -> None:
    whole, _ = decoded(HEADER + LINES)
    found, decoder = decoded(HEADER + LINES[:200], BROKEN_OFF, LINES[200:])
    assert len(whole) - 2 <= len(found) <= len(whole)
    assert decoder.counts.bad_lines <= 2


@pytest.mark.parametrize("cut", range(0, 40, 3))
def test_a_frame_that_was_cut_off_is_counted_and_the_next_is_read(cut: int) -> None:
    frames = [
        encode_message(SampleBatch(i, 1000 * i, 1, 2, bytes(range(i, i + 12)))) for i in range(6)
    ]
    found, decoder = decoded(
        frames[0] + frames[1] + frames[2][:cut], BROKEN_OFF, frames[4] + frames[5]
    )
    sequences = [message.sequence for message in found if isinstance(message, SampleBatch)]
    assert sequences in ([0, 1, 4, 5], [0, 1, 2, 4, 5])
    assert decoder.counts.bad_crc + decoder.counts.bad_cobs <= 1
    assert decoder.counts.lost_frames == 6 - len(sequences)
