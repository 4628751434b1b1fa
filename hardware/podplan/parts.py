"""The bill of materials: ``hardware/parts.csv``.

One line is one use of a part. Lines with the same key are the same thing to buy. Columns:

key
    Name of the part in other files, of small letters, digits and ``-``.
name
    What it is called.
value, unit
    Its size where the rules compute with it: ohm, farad, volt or gain.
labels
    Names of its pieces in wiring and diagram (R1 R2); empty for what is not wired.
quantity
    Pieces; as many as labels, if it has any.
variants
    ``all``, or which pods need it.
page
    Number of the assembly page on which it is built in.
purpose
    What it is there for.
substitutes
    What may take its place.
cost_each, currency, priced_on
    Rough cost of one piece, the currency's code and the month of the estimate.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from podplan.errors import PlanError
from podplan.table import Row, read_rows
from podplan.variants import variants_of

COLUMNS: Final = (
    "key",
    "name",
    "value",
    "unit",
    "labels",
    "quantity",
    "variants",
    "page",
    "purpose",
    "substitutes",
    "cost_each",
    "currency",
    "priced_on",
)
UNITS: Final = ("", "ohm", "farad", "volt", "gain")
SAME_FOR_KEY: Final = (
    "name",
    "value",
    "unit",
    "substitutes",
    "cost_each",
    "currency",
    "priced_on",
)


@dataclass(frozen=True)
class Part:
    """One line of the bill of materials; the fields are its columns."""

    key: str
    name: str
    value: float | None
    unit: str
    labels: tuple[str, ...]
    quantity: int
    variants: frozenset[str]
    page: str
    purpose: str
    substitutes: str
    cost_each: float
    currency: str
    priced_on: str


def read_parts(path: Path) -> tuple[Part, ...]:
    """Read and check the bill of materials.

    Raises
    ------
    PlanError
        If a line is not as the module says, a label is given twice within a variant, or two
        lines of one key disagree about what it is.
    """
    rows = read_rows(path, COLUMNS)
    first: dict[str, Row] = {}
    taken: dict[tuple[str, str], str] = {}
    parts = []
    for row in rows:
        part = _part(row)
        same = first.setdefault(part.key, row)
        for column in SAME_FOR_KEY:
            if row.cells[column] != same.cells[column]:
                raise row.wrong(f"{column} of {part.key} is another than in line {same.line}")
        for label in part.labels:
            for variant in part.variants:
                if (label, variant) in taken:
                    raise row.wrong(f"the label {label} is taken by {taken[label, variant]}")
                taken[label, variant] = part.key
        parts.append(part)
    currencies = {part.currency for part in parts}
    if len(currencies) != 1:
        raise PlanError(path, 0, f"costs in {' and '.join(sorted(currencies))} cannot be added")
    return tuple(parts)


def _part(row: Row) -> Part:
    key = row.text("key")
    if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", key):
        raise row.wrong(f"{key!r} is no key")
    labels = row.words("labels")
    for label in labels:
        if not re.fullmatch(r"[A-Z]{1,2}[1-9][0-9]?", label):
            raise row.wrong(f"{label!r} is no label")
    quantity = row.text("quantity")
    if not re.fullmatch(r"[1-9][0-9]?", quantity):
        raise row.wrong(f"quantity is {quantity!r}, not a whole number from 1 to 99")
    if labels and len(labels) != int(quantity):
        raise row.wrong(f"{quantity} pieces, but {len(labels)} labels")
    unit, value = row.one_of("unit", UNITS), row.number("value")
    if (value is None) != (unit == "") or value == 0.0:
        raise row.wrong("value and unit go together, and the value is above 0")
    cost = row.number("cost_each")
    if cost is None:
        raise row.wrong("cost_each is empty")
    page, currency, month = row.text("page"), row.text("currency"), row.text("priced_on")
    if not re.fullmatch(r"[0-9]{2}", page):
        raise row.wrong(f"page is {page!r}, not two digits")
    if not re.fullmatch(r"[A-Z]{3}", currency):
        raise row.wrong(f"currency is {currency!r}, not a code of three capitals")
    if not re.fullmatch(r"20[0-9]{2}-(0[1-9]|1[0-2])", month):
        raise row.wrong(f"priced_on is {month!r}, not a month such as 2026-11")
    return Part(
        key=key,
        name=row.text("name"),
        value=value,
        unit=unit,
        labels=labels,
        quantity=int(quantity),
        variants=variants_of(row),
        page=page,
        purpose=row.text("purpose"),
        substitutes=row.text("substitutes"),
        cost_each=cost,
        currency=currency,
        priced_on=month,
    )
