"""A validation as one page of HTML that needs nothing beside it."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any, Final

from jinja2 import Environment, StrictUndefined

from knuckle import __version__
from knuckle.errors import RecordingError
from knuckle.report.plot_validation import PLOTS, png
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

TEMPLATE: Final = "validation.html.j2"


def html(record: Mapping[str, Any], source: str) -> str:
    """Return the page.

    Parameters
    ----------
    record : mapping
        A validation as the store keeps it.
    source : str
        What it was made from, for people.
    """
    text = (resources.files("knuckle.report") / TEMPLATE).read_text(encoding="utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    images = {name: base64.b64encode(png(name, record)).decode("ascii") for name in PLOTS}
    readings = record["readings"]
    angles = [r["reference_deg"] for r in readings]
    return environment.from_string(text).render(
        record=record,
        source=source,
        version=__version__,
        verdict=VERDICTS[record["judgement"]["verdict"]],
        decided=record["judgement"]["verdict"] in ("pass", "fail"),
        held=verdict_line(record).replace("+-", "±"),
        limits=LIMITS,
        reason=reason(record),
        rows=rows(record),
        parts=part_rows(record),
        reference=reference_words(record),
        calibration=calibration_words(record),
        images=images,
        date=str(record["date"]).replace("T", " ").replace("+00:00", " UTC"),
        angles=f"{min(angles):+.1f} to {max(angles):+.1f} deg"
        if max(angles) - min(angles) > 0.05
        else f"{min(angles):+.1f} deg",
        designs=", ".join(dict.fromkeys(r["part"] for r in readings)),
    )


def write_report(record: Mapping[str, Any], source: str, path: Path) -> None:
    """Write the page.

    Raises
    ------
    RecordingError
        If that cannot be done.
    """
    text = html(record, source)
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise RecordingError(
            f"The report {path} cannot be written: {error}.",
            "",
            "`knuckle validate --run last --report FILE` writes it elsewhere.",
        ) from error
