"""What a command tells in JSON, run in this process."""

from __future__ import annotations

import json
from typing import Any

import pytest

from knuckle.cli import app as program


def told(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    """Run a command that must end well; return its JSON."""
    capsys.readouterr()
    assert program.run([*words, "--json"]) == 0
    content: dict[str, Any] = json.loads(capsys.readouterr().out)
    return content
