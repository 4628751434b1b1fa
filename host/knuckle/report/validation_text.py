"""A validation on the terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

from knuckle.report.validation_words import (
    LIMITS,
    VERDICTS,
    calibration_words,
    part_rows,
    reason,
    reference_words,
    rows,
    verdict_line,
)

WIDTH = 80


def validation_lines(record: Mapping[str, Any]) -> Iterator[str]:
    """Yield the lines that tell a validation, verdict first."""
    verdict = record["judgement"]["verdict"]
    tolerance = record["judgement"]["tolerance_deg"]
    yield f"Validation against +-{tolerance:g} deg: {VERDICTS[verdict]}"
    yield from textwrap.wrap(f"{verdict_line(record).capitalize()}.", WIDTH)
    yield from textwrap.wrap(reason(record), WIDTH)
    yield ""
    for name, figure, note in rows(record):
        line = f"  {name:<26} {figure:<22}"
        if not note or len(line) + 1 + len(note) <= WIDTH:
            yield f"{line} {note}".rstrip()
        else:
            yield line.rstrip()
            yield f"  {'':<26} {note}"
    yield ""
    yield from textwrap.wrap(LIMITS, WIDTH)
    yield ""
    yield "What the bias's uncertainty is made of (one sigma):"
    for name, figure in part_rows(record):
        yield f"  {name:<26} {figure}"
    yield ""
    yield from textwrap.wrap(f"Reference: {reference_words(record)}.", WIDTH)
    yield f"Calibration of the pod: {calibration_words(record)}."
    count, planned = len(record["readings"]), record.get("planned")
    settings = record["settings"]
    of = f" of {planned} planned" if planned not in (None, count) else ""
    plural = "" if settings == 1 else "s"
    yield f"{count} pod readings{of} at {settings} setting{plural}."
    for remark in record.get("remarks", ()):
        yield from textwrap.wrap(remark, WIDTH)
