"""The pods that the plan describes."""

from __future__ import annotations

from typing import Final

from podplan.table import Row

VARIANTS: Final = {
    "usb": "Pod with MPU-6050 on USB",
    "adxl355": "Pod with ADXL355 beside the MPU-6050",
    "potentiometer": "Pod with a linear potentiometer or draw-wire",
    "caliper": "Pod with a digital caliper",
    "battery": "Pod on a lithium cell with a Bluetooth LE module",
}
"""Each is a whole pod; every one of them has the parts and wires of ``all``."""

FULL: Final = ("usb", "adxl355", "potentiometer", "caliper")
"""What one pod may have at the same time."""


def variants_of(row: Row) -> frozenset[str]:
    """Return the variants that a line is for.

    Raises
    ------
    PlanError
        If a word is none, or there is none.
    """
    words = row.words("variants")
    if words == ("all",):
        return frozenset(VARIANTS)
    unknown = [word for word in words if word not in VARIANTS]
    if unknown or not words:
        raise row.wrong(f"variants must be 'all' or words of {', '.join(VARIANTS)}")
    return frozenset(words)
