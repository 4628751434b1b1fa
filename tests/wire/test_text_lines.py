"""The text format as it streams."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import TextHeader, TextSample
from knuckle.wire.text import LONGEST_LINE, MOST_FACTS, TextLines

HEADER = b"t_s,ax_g,ay_g,az_g\n"


def run(data: bytes, size: int = 10**9) -> tuple[list, PodDecoder]:
    decoder = PodDecoder()
    found = []
    for at in range(0, len(data), size):
        decoder.receive_data(data[at : at + size])
        found.extend(decoder.events())
    return found, decoder


@pytest.mark.parametrize("size", [1, 2, 7, 10**9])
@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_header_facts_and_samples(size, end):
    text = b"\xef\xbb\xbf# id=garage-2\n#a comment\n" + HEADER + b"0.01, -0.5,+1e-2,.999\n\n"
    found, decoder = run(text.replace(b"\n", end), size)
    assert found == [
        TextHeader(("t_s", "ax_g", "ay_g", "az_g"), (("id", "garage-2"),)),
        TextSample((0.01, -0.5, 0.01, 0.999)),
    ]
    assert decoder.counts.text_lines == 2
    assert decoder.counts.discarded_bytes == 0


def test_columns_in_any_order_and_others_passed_over():
    found, _ = run(b"note,az_g,t_ms,ay_g,ax_g,linear2_mm\nhello,1,5,0,-1,7.5\n")
    assert found == [
        TextHeader(("az_g", "t_ms", "ay_g", "ax_g", "linear2_mm"), (), ("note",)),
        TextSample((1.0, 5.0, 0.0, -1.0, 7.5)),
    ]


def test_samples_before_the_header_wait_for_it():
    found, decoder = run(b"9,0.99\n0.01,0,0,1\n" + HEADER + b"0.02,0,0,1\n")
    assert found[1:] == [TextSample((0.02, 0.0, 0.0, 1.0))]
    assert decoder.counts.headerless_lines == 2
    assert decoder.counts.bad_lines == 0


def test_a_repeated_header_brings_the_facts_so_far():
    found, _ = run(HEADER + b"# firmware=7\n" + HEADER)
    assert [m.facts for m in found] == [(), (("firmware", "7"),)]


@pytest.mark.parametrize(
    "line",
    [
        b"0.01,0,0",
        b"0.01,0,0,1,2",
        b"0.01,0,nan,1",
        b"0.01,0,inf,1",
        b"0.01,0,1e999,1",
        b"0.01,0,,1",
        b"0.01,0,x,1",
        b"0.01,0,1_0,1",
        b"0.01,0,0x10,1",
        b"0,01,0,02,0,03,1,00",
        b"0.01;0;0;1",
        b"0.01,0,\x80,1",
        b"0.01,0,\x07,1",
        b"-",
        b"hello",
        b"t_s,ax,ay,az",
        b"\xff\xfe\x91",
        b"7" * (LONGEST_LINE + 1),
    ],
)
def test_a_line_that_cannot_be_read_is_counted_and_costs_no_other(line):
    for size in (1, 5, 10**9):
        found, decoder = run(HEADER + line + b"\n0.02,0,0,1\n", size)
        assert found[1:] == [TextSample((0.02, 0.0, 0.0, 1.0))]
        assert decoder.counts.bad_lines == 1
        assert decoder.counts.discarded_bytes == len(line)


@pytest.mark.parametrize(
    "header",
    [
        b"t_s,ax_g,ay_g\n",
        b"t_s,ax,ay,az\n",
        b"ax_g,ay_g,az_g\n",
        b"t_s,t_ms,ax_g,ay_g,az_g\n",
        b"t_s,ax_g,ay_g,az_g,gx_dps\n",
        b"t_s,ax_g,ax_g,ay_g,az_g\n",
        b"t_s;ax_g;ay_g;az_g\n",
    ],
)
def test_a_header_that_cannot_be_used_gives_no_samples(header):
    found, decoder = run(header + b"0.01,0,0,1\n")
    assert found == []
    assert decoder.counts.headerless_lines == 1


def test_facts_are_bounded():
    lines = TextLines()
    lines.feed(b"".join(b"# k%d=%d\n" % (i, i) for i in range(1000)) + b"# k0=new\n")
    (header,) = lines.feed(HEADER)
    assert len(header.facts) == MOST_FACTS
    assert header.facts[0] == ("k0", "new")


number = st.floats(allow_nan=False, allow_infinity=False)


@given(st.lists(st.tuples(number, number, number, number), max_size=20), st.integers(1, 90))
def test_every_number_arrives_to_the_last_digit(rows, size):
    text = b"".join(",".join(map(repr, row)).encode() + b"\n" for row in rows)
    found, decoder = run(HEADER + text, size)
    assert found[1:] == [TextSample(row) for row in rows]
    assert decoder.counts.bad_lines == 0
