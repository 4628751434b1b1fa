"""Plain lines where there is no terminal; the live view on a real one."""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
import time
import uuid
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from knuckle.model.guidance import Ask, LinkState, PlaceMark
from knuckle.model.wheel import Wheel
from knuckle.terminal.glyphs import glyphs_for
from knuckle.terminal.letters import large_words
from knuckle.terminal.progress import long_work
from knuckle.terminal.scene import Scene
from knuckle.terminal.screen import LiveScreen, PlainScreen, make_screen

SCENE = Scene("Camber, left front", "Keep still", Ask.HOLD, wheel=Wheel.LF)


def file_console(**options: object) -> tuple[Console, io.StringIO]:
    stream = io.StringIO()
    return Console(file=stream, width=80, **options), stream  # type: ignore[arg-type]  # passed through


def test_one_line_for_each_change_of_state() -> None:
    console, stream = file_console()
    with make_screen(console) as screen:
        assert isinstance(screen, PlainScreen)
        for value in ("-1.0", "-1.1", "-1.2"):
            screen.show(replace(SCENE, value=value))
        screen.show(replace(SCENE, state="Taken", value="-1.25", uncertainty="0.10 deg"))
        screen.say("a line [not markup] :smile:")
        lost = replace(SCENE, links=(LinkState("pod", connected=False),))
        screen.show(lost)
        screen.show(replace(SCENE, steer_deg=-3.0, places=(PlaceMark("in", 1),)))
    assert stream.getvalue().splitlines() == [
        "Camber, left front: Keep still | -1.0 deg",
        "Camber, left front: Taken | -1.25 ± 0.10 deg (95 %)",
        "a line [not markup] :smile:",
        "Camber, left front: Keep still | pod: LINK LOST, waiting for the pod",
        "Camber, left front: Keep still | steer 3.0° in | in 1",
    ]


def test_plain_lines_are_not_wrapped_and_hold_no_control_codes() -> None:
    console, stream = file_console()
    long = "word " * 60
    PlainScreen(console).say(long)
    assert stream.getvalue() == long + "\n"
    assert "\x1b" not in stream.getvalue()


def test_the_choice_of_screen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    terminal, _ = file_console(force_terminal=True)
    assert isinstance(make_screen(terminal), LiveScreen)
    assert isinstance(make_screen(terminal, plain=True), PlainScreen)
    monkeypatch.setenv("TERM", "dumb")
    assert isinstance(make_screen(terminal), PlainScreen)


def test_progress_without_a_terminal_is_one_line() -> None:
    console, stream = file_console()
    with long_work(console, "Reading", 10) as done:
        for _ in range(10):
            done(1)
    assert stream.getvalue() == "Reading ...\n"


def test_progress_on_a_terminal_reaches_the_end() -> None:
    console, stream = file_console(force_terminal=True)
    with long_work(console, "Reading", 10) as done:
        for _ in range(10):
            done(1)
    assert "100 %" in stream.getvalue()


STATE_ROWS = large_words("Turn further in", 78, glyphs_for("utf-8")) or []

LIVE = """
import sys, time
from rich.console import Console
from knuckle.model.wheel import Wheel
from knuckle.model.guidance import Ask, LinkState, PlaceMark
from knuckle.terminal.scene import Scene
from knuckle.terminal.screen import make_screen
with make_screen(Console()) as screen:
    for step in range(100):
        screen.show(Scene("Sweep, right front", "Turn further in", Ask.MOVE, f"{step / 100:.2f}",
            "deg", "0.08 deg", "camber", step / 5, 20.0, Wheel.RF,
            (PlaceMark("straight", 1), PlaceMark("in", 0)),
            (LinkState("pod", True, 100.0),)))
        if step == 3:
            screen.say("Straight ahead is taken.")
    input()
print("All is over.")
"""


@pytest.mark.skipif(shutil.which("tmux") is None, reason="needs tmux: apt-get install tmux")
def test_on_a_real_terminal(tmp_path: Path) -> None:
    script = tmp_path / "live.py"
    script.write_text(LIVE, encoding="utf-8")
    socket = f"knuckle-{uuid.uuid4().hex}"

    def tmux(*words: str) -> str:
        done = subprocess.run(
            ["tmux", "-u", "-L", socket, *words],
            capture_output=True,
            timeout=30,
            check=True,
            encoding="utf-8",
        )
        return done.stdout

    def seen(words: str) -> str:
        for _ in range(300):
            shown = tmux("capture-pane", "-p")
            if words in shown:
                return shown
            time.sleep(0.1)
        pytest.fail(f"{words!r} never came; the terminal shows:\n{shown}")

    tmux(
        "-f", "/dev/null", "new-session", "-d", "-x", "80", "-y", "24",
        "-e", "LC_ALL=C.UTF-8", "-e", f"PYTHONPATH={':'.join(sys.path)}",
        f"{sys.executable} {script}; sleep 60",
    )  # fmt: skip
    try:
        shown = seen("19.8° in")
        assert "Straight ahead is taken." in shown
        assert len(STATE_ROWS) == 3
        for row in STATE_ROWS:
            assert row in shown
        assert shown.count("Sweep, right front") == 1, "redrawn in place"
        assert "████" in shown
        tmux("send-keys", "Enter")
        shown = seen("All is over.")
        assert "Straight ahead is taken." in shown
        assert STATE_ROWS[0] not in shown, "the live view cleans up after itself"
    finally:
        tmux("kill-server")
