"""The stack's bound: on listings made by hand, and on small programs whose truth is known."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from footprint.depth import Program
from footprint.errors import Unbounded
from footprint.frames import frame_name, parse_frames, read_frames
from footprint.listing import join_labels, parse_listing, read_listing
from footprint.sizes import parse_sizes

from firmware.board_program import need

LISTING = """
00000100 <main>:
main():
/x/a.c:3
     100:\tpush\tr28
     102:\tcall\t0x200\t; 0x200 <work>
     106:\trcall\t.+0      \t; 0x108 <main+0x8>
     108:\trjmp\t.-4      \t; 0x106 <main+0x6>

00000200 <work>:
     200:\tpush\tr16
     202:\tpush\tr17
     204:\tbrne\t.+2      \t; 0x208 <work+0x8>
     206:\tnop
     208:\trjmp\t.+246    \t; 0x300 <leaf>

00000300 <leaf>:
     300:\tldi\tr24, 0x01\t; 1
     302:\tret
"""


def program_of(listing: str, **frames: int) -> Program:
    return Program(parse_listing(listing), frames)


def test_frames_are_summed_along_calls_and_tail_calls() -> None:
    path = program_of(LISTING, main=5, work=4, leaf=2).deepest("main")
    assert path.names == ("main", "work", "leaf")
    assert path.size == 5 + 4 + 2


def test_a_routine_without_a_stated_frame_counts_its_pushes() -> None:
    # main: 1 push, 2 by rcall .+0, 2 of the return address; work: 2 and 2; leaf: 2
    assert program_of(LISTING).deepest("main").size == 5 + 4 + 2


def test_more_pushes_than_the_stated_frame_count() -> None:
    assert program_of(LISTING, main=5, work=2, leaf=2).deepest("work").size == 4 + 2


def test_recursion_is_refused() -> None:
    looping = LISTING.replace("call\t0x200\t; 0x200 <work>", "call\t0x100\t; 0x100 <main>")
    with pytest.raises(Unbounded, match="recursion: main -> main"):
        program_of(looping).deepest("main")


def test_recursion_by_a_round_about_is_refused() -> None:
    looping = LISTING.replace("rjmp\t.+246    \t; 0x300 <leaf>", "call\t0x100\t; 0x100 <main>")
    with pytest.raises(Unbounded, match="recursion: main -> work -> main"):
        program_of(looping).deepest("main")


def test_a_call_into_nothing_is_refused() -> None:
    with pytest.raises(Unbounded, match="0x999"):
        program_of(LISTING.replace("0x200\t; 0x200 <work>", "0x999\t; 0x999")).deepest("main")


@pytest.mark.parametrize("name", ["icall", "ijmp"])
def test_a_pointer_without_a_source_line_is_refused(name: str) -> None:
    with pytest.raises(Unbounded, match="no source line"):
        program_of(LISTING.replace("ldi\tr24, 0x01\t; 1", name)).deepest("main")


@pytest.mark.parametrize(
    ("statement", "members"),
    [
        ("    p->light(p->self, 1);\n", "light"),
        ("    pod->port->transmit(\n        pod->port->self, data, 3);\n", "transmit"),
        ("    callback(1);\n", None),
        ("    other->unheard_of(1);\n    p->light(p->self, 1);\n", None),
    ],
)
def test_a_pointer_is_known_by_its_source_line(
    tmp_path: Path, statement: str, members: str | None
) -> None:
    from footprint.pointers import members_called

    source = tmp_path / "a.c"
    source.write_text("void f(void)\n{\n" + statement + "}\n", encoding="utf-8")
    listing = LISTING.replace("/x/a.c:3", f"{source}:3").replace("rcall\t.+0", "icall\t")
    function = parse_listing(listing)[0]
    indirect = next(i for i in function.instructions if i.name == "icall")
    if members is None:
        with pytest.raises(Unbounded, match="names no member of kn_port"):
            members_called(indirect, function)
    else:
        assert members_called(indirect, function) == [members]


def test_inner_labels_belong_to_their_routine() -> None:
    divide = """
00000400 <__udivmodhi4>:
     400:\tsub\tr26, r26
     402:\trjmp\t.+4\t; 0x408 <__udivmodhi4_ep>

00000404 <__udivmodhi4_loop>:
     404:\tadc\tr26, r26
     406:\tnop

00000408 <__udivmodhi4_ep>:
     408:\trol\tr24
     40a:\tbrne\t.-8\t; 0x404 <__udivmodhi4_loop>
     40c:\tret
"""
    functions = join_labels(parse_listing(LISTING + divide), {"main", "work", "leaf"})
    assert [f.name for f in functions] == ["main", "work", "leaf", "__udivmodhi4"]
    assert Program(functions, {}).deepest("__udivmodhi4").size == 2


def test_an_inner_label_that_is_called_is_a_routine_of_its_own() -> None:
    divide = """
00000400 <__divmodsi4>:
     400:\trcall\t.+4\t; 0x406 <__divmodsi4_neg2>
     402:\tpush\tr16
     404:\tret

00000406 <__divmodsi4_neg2>:
     406:\tpush\tr17
     408:\tret
"""
    functions = join_labels(parse_listing(divide), set())
    assert Program(functions, {}).deepest("__divmodsi4").size == 2 + 1 + 2 + 1


def test_frames_of_changing_size_are_refused() -> None:
    assert parse_frames("a.c:1:2:f\t7\tstatic\n") == {"f": 7}
    with pytest.raises(Unbounded, match="f has a frame of no fixed size"):
        parse_frames("a.c:1:2:f\t7\tdynamic\n")


def test_clones_take_their_origins_frame() -> None:
    assert frame_name("f.part.0", {"f": 3}) == "f"
    assert frame_name("g", {"f": 3}) is None


def test_sizes() -> None:
    text = (
        "x.elf  :\nsection   size      addr\n.data  10  8388864\n.text  200  0\n"
        ".bss  30  8388874\n.noinit  4  8388904\n.stab  999  0\nTotal  1243\n"
    )
    sizes = parse_sizes(text)
    assert (sizes.flash, sizes.static) == (210, 44)


PUSHES = """
#include <stdint.h>
volatile uint8_t out;
__attribute__((noinline)) void many(uint32_t a, uint32_t b, uint32_t c, uint32_t d, uint32_t e,
                                    uint32_t f)
{
    volatile uint8_t room[40];
    for (uint8_t i = 0; i < 40; i++) {
        room[i] = (uint8_t)(a + b + c + d + e + f);
    }
    out = room[out];
}
int main(void)
{
    many(1, 2, 3, 4, 5, out);
    for (;;) {
    }
}
"""


def test_bound_of_a_small_program(tmp_path: Path) -> None:
    """Room for 40 bytes, a frame pointer, and what does not fit the registers is pushed.

    avr-gcc passes arguments in r25 to r8, 18 bytes (its ABI page); here 24 are passed.
    """
    need("avr-gcc", "avr-objdump")
    source, elf = tmp_path / "a.c", tmp_path / "a.elf"
    source.write_text(PUSHES, encoding="utf-8")
    subprocess.run(
        [
            "avr-gcc",
            "-mmcu=atmega328p",
            "-Os",
            "-g",
            "-fstack-usage",
            "-c",
            str(source),
            "-o",
            "a.o",
        ],
        cwd=tmp_path,
        check=True,
    )
    subprocess.run(["avr-gcc", "-mmcu=atmega328p", "a.o", "-o", str(elf)], cwd=tmp_path, check=True)
    frames = read_frames(tmp_path)
    program = Program(join_labels(read_listing(str(elf)), set(frames)), frames)
    size = program.deepest("main").size
    # return addresses 4, room 40, frame pointer 2, arguments 8 beyond the registers; the
    # registers that `many` saves and shuffles come on top.
    assert 4 + 40 + 2 + 8 <= size <= 4 + 40 + 2 + 8 + 24
