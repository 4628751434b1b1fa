"""One thing that was checked on a pod: what was found, what was wanted, what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """How a check came out."""

    GOOD = "good"
    LOOK = "look"
    """Worth a look; the pod can be used."""
    BAD = "bad"
    NOT_CHECKED = "not checked"


@dataclass(frozen=True, slots=True)
class Check:
    """A check and its outcome.

    Attributes
    ----------
    subject : str
        What was checked: "noise of ADXL355".
    verdict : Verdict
    found : str
        Formatted, with unit.
    wanted : str
        The limit, or what a good pod shows; empty if there is none.
    what, next_step : str
        In words, where it is not good.
    value, limit : float or None
        What was found and up to where it is good, as numbers in `unit`, where that says it all.
    unit : str
    """

    subject: str
    verdict: Verdict
    found: str
    wanted: str = ""
    what: str = ""
    next_step: str = ""
    value: float | None = None
    limit: float | None = None
    unit: str = ""


def within(
    subject: str,
    value: float,
    unit: str,
    good: float,
    bad: float,
    what: str,
    next_step: str,
    form: str = ".3g",
) -> Check:
    """Judge the size of a value: good up to `good`, bad beyond `bad`, else worth a look."""
    size = abs(value)
    verdict = Verdict.GOOD if size <= good else Verdict.LOOK if size <= bad else Verdict.BAD
    return Check(
        subject,
        verdict,
        f"{value:{form}} {unit}".strip(),
        f"up to {good:{form}} {unit}".strip(),
        "" if verdict is Verdict.GOOD else what,
        "" if verdict is Verdict.GOOD else next_step,
        value,
        good,
        unit,
    )


def is_good(checks: Sequence[Check]) -> bool:
    """Return whether nothing is bad."""
    return all(check.verdict is not Verdict.BAD for check in checks)
