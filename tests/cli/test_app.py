"""The program as a new user meets it: help, versions, mistakes, exit codes."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
import typer

from knuckle import __version__
from knuckle.cli import app as program
from knuckle.errors import LinkNotFound, MeasurementRefused

HEAVY = ("numpy", "scipy", "pandas", "matplotlib", "serial")


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "log" / "knuckle.log"))
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.delenv("KNUCKLE_CONFIG", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path


def with_command(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    """Give the program one more command, which raises."""
    build = program.build

    def built() -> typer.Typer:
        app = build()

        @app.command("fail")
        def fail() -> None:
            raise error

        return app

    monkeypatch.setattr(program, "build", built)


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys\n"
        "from knuckle.cli.app import run\n"
        "code = run(['--help'])\n"
        f"print('HEAVY', [name for name in {HEAVY!r} if name in sys.modules], code)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout.endswith("HEAVY [] 0\n")
    assert "camber" in done.stdout.lower()


def test_every_command_has_help(capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("", *program.COMMANDS):
        assert program.run([*([name] if name else []), "--help"]) == 0
        assert "Usage: knuckle" in capsys.readouterr().out


def test_without_words_shows_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run([]) == 0
    assert "config" in capsys.readouterr().out


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["--version"]) == 0
    assert capsys.readouterr().out == f"knuckle {__version__}\n"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--wheels"], "--wheels"),
        (["config", "--pods", "x"], "--pods"),
        (["confg"], "'confg'"),
        (["config", "--store"], "--store needs a value"),
        (["config", "more"], "more"),
    ],
)
def test_usage_errors(words: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(words) == 2
    shown = capsys.readouterr()
    assert told in shown.err
    assert "Traceback" not in shown.err
    assert shown.out == ""


@pytest.mark.parametrize("words", [["--no-sound", "config"], ["config", "--no-sound"]])
def test_general_options_before_and_after(
    words: list[str], own_places: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = own_places / "other.sqlite3"
    assert program.run([*words, f"--store={file}"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "sound    false" in lines
    assert f"store    {file}" in lines
    assert lines[lines.index("sound    false") + 1].endswith("from: option")


def test_words_after_two_dashes_stay(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["config", "--", "--no-sound"]) == 2
    assert "--no-sound" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (LinkNotFound("There is no port X.", "It is not plugged in.", "Plug it in."), 1),
        (MeasurementRefused("sweep_too_small", "Too small.", "", "Turn further."), 3),
    ],
)
def test_errors_are_told_in_three_lines(
    error: Exception,
    code: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    with_command(monkeypatch, error)
    assert program.run(["fail"]) == code
    assert capsys.readouterr().err == program.explain(error) + "\n"  # type: ignore[arg-type]  # both are KnuckleError


def test_own_fault_goes_to_the_log(
    own_places: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with_command(monkeypatch, ZeroDivisionError("division by zero"))
    assert program.run(["fail"]) == 1
    told = capsys.readouterr().err
    path = own_places / "log" / "knuckle.log"
    assert str(path) in told
    assert "Traceback" not in told
    assert "Traceback" in path.read_text(encoding="utf-8")


def test_own_fault_without_a_log(
    own_places: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (own_places / "log").write_text("a file where the folder should be", encoding="utf-8")
    monkeypatch.setattr("tempfile.tempdir", str(own_places))
    with_command(monkeypatch, ZeroDivisionError("division by zero"))
    assert program.run(["fail"]) == 1
    (kept,) = own_places.glob("knuckle-*.log")
    assert str(kept) in capsys.readouterr().err
    assert "Traceback" in kept.read_text(encoding="utf-8")


def test_interrupt(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    with_command(monkeypatch, KeyboardInterrupt())
    assert program.run(["fail"]) == 130
    assert capsys.readouterr().err == "Interrupted.\n"


def test_config_shows_where_values_come_from(
    own_places: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert program.run(["config"]) == 0
    shown = capsys.readouterr().out
    assert f"store    {own_places / 'runs.sqlite3'}" in shown
    assert "from: KNUCKLE_STORE" in shown
    assert "from: default" in shown


def test_verbose_shows_the_log(capsys: pytest.CaptureFixture[str]) -> None:
    assert program.run(["config", "--verbose"]) == 0
    assert f"knuckle {__version__}: config" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "offered"), [("knuckle wa", "watch"), ("knuckle watch --wh", "--wheel")]
)
def test_shell_completion(words: str, offered: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "knuckle"],
        env={
            **os.environ,
            "_KNUCKLE_COMPLETE": "complete_bash",
            "COMP_WORDS": words,
            "COMP_CWORD": str(words.count(" ")),
        },
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    assert done.stdout.split() == [offered]


def test_full_disk_is_no_fault_of_the_program(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with_command(monkeypatch, OSError(28, "No space left on device"))
    assert program.run(["fail"]) == 1
    told = capsys.readouterr().err
    assert "No space left on device" in told
    assert "fault of its own" not in told


def test_reader_that_has_seen_enough() -> None:
    child = subprocess.Popen(
        [sys.executable, "-m", "knuckle", "watch", "--pod", "sim:"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert child.stdout is not None
    assert child.stderr is not None
    child.stdout.readline()
    child.stdout.close()
    told = child.stderr.read()
    child.stderr.close()
    assert child.wait(60) == 1
    assert told == b""


@pytest.mark.parametrize("encoding", ["cp437", "cp1252", "ascii"])
def test_old_code_pages(encoding: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "knuckle", "--help"],
        env={**os.environ, "PYTHONIOENCODING": encoding},
        capture_output=True,
        timeout=60,
        check=True,
    )
    assert b"camber" in done.stdout.lower()
