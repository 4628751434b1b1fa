"""Every code of a warning or refusal is in docs/results.md, and nothing else is."""

import re
from pathlib import Path

from knuckle.analysis.summary import TERMS

TOP = Path(__file__).resolve().parents[2]


def test_codes_of_the_source_are_those_of_the_document():
    source = "".join(
        path.read_text(encoding="utf-8")
        for path in (
            *(TOP / "host" / "knuckle" / "analysis").glob("*.py"),
            TOP / "host" / "knuckle" / "run" / "zeros.py",
        )
    )
    raised = set(re.findall(r'(?:Refused|Notice|_trouble)\(\s*"([A-Z][A-Z_]+)"', source))
    raised |= {"STRAIGHT_AMBIGUOUS", "BRAKE_NOT_HELD"}
    document = (TOP / "docs" / "results.md").read_text(encoding="utf-8")
    tables = document.partition("## Warnings")[2]
    listed = set(re.findall(r"^\| `([A-Z][A-Z_]+)` \|", tables, flags=re.MULTILINE))
    assert len(raised) > 20
    assert raised == listed


def test_sources_of_the_budget_are_those_of_the_document():
    document = (TOP / "docs" / "results.md").read_text(encoding="utf-8")
    table = document.partition("## Sources of a budget")[2].partition("##")[0]
    assert set(re.findall(r"^\| `([a-z_]+)` \|", table, flags=re.MULTILINE)) == set(TERMS)


def test_codes_of_noise_are_those_of_the_document():
    source = "".join(
        path.read_text(encoding="utf-8")
        for folder in ("noise", "run")
        for path in (TOP / "host" / "knuckle" / folder).glob("*.py")
    )
    raised = set(re.findall(r'Notice\(\s*"(NOISE_[A-Z_]+)"', source))
    document = (TOP / "docs" / "results.md").read_text(encoding="utf-8")
    section = document.partition("\n## Noise\n")[2].partition("\n## ")[0]
    assert len(raised) > 8
    assert raised == set(re.findall(r"^\| `(NOISE_[A-Z_]+)` \|", section, flags=re.MULTILINE))


def test_codes_of_calibration_are_those_of_the_document():
    source = "".join(
        (TOP / "host" / "knuckle" / "run" / name).read_text(encoding="utf-8")
        for name in ("calibrate.py", "calibrate_outcome.py", "calibration_trust.py")
    )
    raised = set(re.findall(r'Notice\(\s*"([A-Z][A-Z_]+)"', source))
    document = (TOP / "docs" / "results.md").read_text(encoding="utf-8")
    section = document.partition("\n## Calibration\n")[2].partition("\n## ")[0]
    assert len(raised) > 10
    assert raised == set(re.findall(r"^\| `([A-Z_]+)` \|", section, flags=re.MULTILINE))
