"""Set-up commands reach modules of both habits, on a pseudo-terminal."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator

import pytest

from ask_module import main

pty = pytest.importorskip("pty", reason="this system has no pseudo-terminals")

Module = Callable[[bytes], bytes]
Plug = Callable[[Module], str]


@pytest.fixture
def plug() -> Iterator[Plug]:
    """Let a module sit at the end of a line; return the line's name."""
    ours: list[int] = []
    running: list[threading.Thread] = []

    def make(module: Module) -> str:
        master, slave = pty.openpty()
        os.set_blocking(master, True)
        ours.extend((master, slave))

        def serve() -> None:
            try:
                while piece := os.read(master, 256):
                    if reply := module(piece):
                        os.write(master, reply)
            except OSError:
                return

        running.append(threading.Thread(target=serve, daemon=True))
        running[-1].start()
        return os.ttyname(slave)

    yield make
    for end in ours:
        os.close(end)


def ended_by_a_line_end() -> Module:
    kept = bytearray()

    def reply(piece: bytes) -> bytes:
        kept.extend(piece)
        if not kept.endswith(b"\r\n"):
            return b""
        command = bytes(kept).strip()
        kept.clear()
        return b"+NAME=knuckle-left\r\nOK\r\n" if command == b"AT+NAME?" else b"ERROR\r\n"

    return reply


def ended_by_a_pause(piece: bytes) -> bytes:
    return b"OK" if piece == b"AT" else b"ERROR" if piece.strip() == b"AT" else b""


def test_a_module_that_wants_a_line_end_answers(
    plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([plug(ended_by_a_line_end()), "AT+NAME?"], 0.2) == 0
    told = capsys.readouterr().out
    assert told == "9600 baud, CR LF after it: +NAME=knuckle-left, OK\n"


def test_a_module_that_wants_none_answers(plug: Plug, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([plug(ended_by_a_pause), "AT"], 0.2) == 0
    assert capsys.readouterr().out == "9600 baud, no line end: OK\n"


def test_a_command_that_it_does_not_know_is_told(
    plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([plug(ended_by_a_line_end()), "AT+SONG"], 0.02) == 1
    told = capsys.readouterr()
    assert "ERROR" in told.out
    assert "data sheet" in told.err


@pytest.mark.parametrize("module", [lambda piece: b"", lambda piece: b"\xff\x80\x81"])
def test_silence_and_garbage_are_no_answer(
    module: Module, plug: Plug, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([plug(module), "AT"], 0.02) == 1
    assert "EN or KEY" in capsys.readouterr().err


def test_a_port_that_is_not_there_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["/dev/no-such-port", "AT"]) == 1
    assert "cannot be used" in capsys.readouterr().err
