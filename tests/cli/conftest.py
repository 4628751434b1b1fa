"""The program with its answers typed in through a pipe."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from cli.typed_jobs import CAR
from knuckle.cli.app import run


@pytest.fixture
def typed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    (tmp_path / "plover.toml").write_text(CAR, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("KNUCKLE_STORE", str(tmp_path / "runs.sqlite3"))
    monkeypatch.setenv("KNUCKLE_LOG", str(tmp_path / "knuckle.log"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))

    def answer(lines: str, *words: str) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.stdin", io.StringIO(lines))
        capsys.readouterr()
        code = run(["--no-sound", "--plain", *(words or ("align", "plover"))])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return answer
