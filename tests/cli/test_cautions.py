"""What is said before a measurement fits a terminal of 80 columns."""

from __future__ import annotations

import pytest

from knuckle.cli import cautions

TEXTS = {name: value for name, value in vars(cautions).items() if isinstance(value, tuple)}


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_lines_fit_80_columns(name: str) -> None:
    assert [line for line in TEXTS[name] if len(line) > 80] == []
