"""The checks of a pod as a table of 80 columns, and as a JSON object."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any, Final

from knuckle.model.check import Check, Verdict, is_good
from knuckle.store.records import without_nan

SELFTEST_SCHEMA: Final = 1
WIDTH: Final = 79
_ROW: Final = "{:<27} {:<11} {:<20} {}"
_SIGNS: Final = {
    Verdict.GOOD: "good",
    Verdict.LOOK: "LOOK",
    Verdict.BAD: "BAD",
    Verdict.NOT_CHECKED: "not checked",
}


def selftest_lines(checks: Sequence[Check], description: str) -> Iterator[str]:
    """Yield the table, then what is wrong in words, then the verdict.

    Parameters
    ----------
    checks : sequence of Check
    description : str
        Of the link.
    """
    yield from textwrap.wrap(description, WIDTH)
    yield ""
    yield _ROW.format("", "", "found", "wanted").rstrip()
    for check in checks:
        subject = textwrap.wrap(check.subject, 27) or [""]
        found = textwrap.wrap(check.found, 20) or [""]
        wanted = textwrap.wrap(check.wanted, 19) or [""]
        for i in range(max(len(subject), len(found), len(wanted))):
            cells = [column[i] if i < len(column) else "" for column in (subject, found, wanted)]
            sign = _SIGNS[check.verdict] if i == 0 else ""
            yield _ROW.format(cells[0], sign, cells[1], cells[2]).rstrip()
    for check in checks:
        if check.what and check.verdict is not Verdict.GOOD:
            yield ""
            yield from _wrapped(f"{_SIGNS[check.verdict]}  {check.subject}: {check.what}", "")
            if check.next_step:
                yield from _wrapped(f"next: {check.next_step}", "      ")
    yield ""
    bad = sum(check.verdict is Verdict.BAD for check in checks)
    look = sum(check.verdict is Verdict.LOOK for check in checks)
    if bad:
        yield f"The pod is NOT fit to measure: {bad} bad, {look} worth a look."
    elif look:
        yield f"The pod can be used; {look} worth a look."
    else:
        yield "The pod is good."


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent="      ", break_on_hyphens=False
    )


def selftest_to_json(checks: Sequence[Check], **more: Any) -> dict[str, Any]:
    """Return the checks as the JSON object of docs/results.md.

    Parameters
    ----------
    **more
        Further members, such as the pod and the program's version.
    """
    return {
        "schema": SELFTEST_SCHEMA,
        "good": is_good(checks),
        "checks": [
            without_nan({**asdict(check), "verdict": check.verdict.value}) for check in checks
        ],
        **more,
    }
