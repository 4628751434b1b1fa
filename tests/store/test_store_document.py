"""docs/store.md says what the store is; the bytes of the capture file are tried in their own."""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path

import pytest

from knuckle.report.export import FORMATS
from knuckle.store.capture import CAPTURE_VERSION, LONGEST_CHUNK
from knuckle.store.database import Store
from knuckle.store.pending import COMMIT_EVERY_S
from knuckle.store.rows import RunState
from knuckle.store.schema import APPLICATION_ID, SCHEMA_VERSION

DOCUMENT = Path(__file__).parents[2] / "docs" / "store.md"


@pytest.fixture(scope="module")
def text() -> str:
    return DOCUMENT.read_text(encoding="utf-8")


def test_tables_and_columns_are_those_of_the_document(text: str, tmp_path: Path):
    Store(tmp_path / "runs.sqlite3").close()
    with sqlite3.connect(tmp_path / "runs.sqlite3") as connection:
        tables = [
            row[0]
            for row in connection.execute(
                "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
            )
        ]
        columns = {
            table: [
                row[0]
                for row in connection.execute("SELECT name FROM pragma_table_info(?)", (table,))
            ]
            for table in tables
        }
    section = text.partition("## Tables")[2].partition("\n## ")[0]
    documented = {}
    for line in section.splitlines():
        cells = line.strip("| ").split(" | ")
        if line.startswith("| `"):
            documented[cells[0].strip("`")] = re.findall(r"`(\w+)`", cells[1])
    assert documented == columns


def test_versions_and_figures_are_those_of_the_document(text: str):
    assert f"is {APPLICATION_ID} (`KNCK`)" in text
    assert f"version of the schema, now **{SCHEMA_VERSION}**" in text
    versions = text.partition("## Version")[2].partition("\n## ")[0]
    assert f"\n| {SCHEMA_VERSION} | " in versions
    assert f"\n| {SCHEMA_VERSION + 1} | " not in versions
    assert f"This is version **{CAPTURE_VERSION}**" in text
    assert f"at most {LONGEST_CHUNK}" in text
    assert f"({COMMIT_EVERY_S} s, and" in text
    for state in RunState:
        assert state.value in text
    for name in FORMATS:
        assert f"| `{name}` |" in text
