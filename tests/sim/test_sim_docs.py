"""docs/simulation.md lists every key, fault and scenario, as they are."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from knuckle.errors import UsageError
from knuckle.sim.faults import Faults
from knuckle.sim.reference import key_table, scenario_table, with_tables

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "simulation.md"


def test_tables_are_up_to_date() -> None:
    text = DOCUMENT.read_text(encoding="utf-8")
    assert with_tables(text) == text, "run: python -m knuckle.sim.reference docs/simulation.md"


def test_tables_know_keys_and_scenarios() -> None:
    keys = key_table()
    for word in ("`caster_deg`", "`[car.LF|RF|LR|RR]`", "`[faults.slip]`", "`hold_s`", "-20 to 20"):
        assert word in keys
    assert "`garage`" in scenario_table()


def test_every_fault_is_explained() -> None:
    text = DOCUMENT.read_text(encoding="utf-8").split("## Faults")[1].split("## Built-in")[0]
    for fault in dataclasses.fields(Faults):
        assert f"| `{fault.name}` |" in text


def test_a_document_without_marks_is_refused() -> None:
    with pytest.raises(UsageError, match="marks"):
        with_tables("# nothing\n")
