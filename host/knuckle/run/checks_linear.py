"""What is checked of each linear channel: that it reads, moves freely of its ends, and is quiet."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from knuckle.model.block import FloatArray
from knuckle.model.check import Check, Verdict, within
from knuckle.run.checks_sensors import lengths_of, noise_of
from knuckle.run.examination import Evidence

NOISE_GOOD_MM: Final = 0.1
NOISE_BAD_MM: Final = 1.0
END: Final = 0.002
"""Part of the travel by which a potentiometer stands at its end."""


def linear_checks(evidence: Evidence) -> list[Check]:
    """Return the checks of the linear channels, in the order of a table."""
    linear = evidence.linear
    if linear is None:
        return []
    travel = lengths_of(evidence)
    checks: list[Check] = []
    lost_by_all = 0 if evidence.block is None else int(evidence.block.lost_before.sum())
    count = len(linear) + max(0, int(linear.lost_before.sum()) - lost_by_all)
    for name, column in zip(evidence.linear_names, linear.linear_mm.T, strict=True):
        read = column[np.isfinite(column)]
        checks += _column(name, read, count, linear.rate_hz, travel.get(name))
    return checks


def _column(
    name: str, read: FloatArray, count: int, rate_hz: float, travel_mm: float | None
) -> Iterator[Check]:
    if read.size < 2:
        yield Check(
            name,
            Verdict.BAD,
            "no readings",
            "",
            f"The {name} sends nothing.",
            "Check its plug, its wires, and a caliper's cell and switch.",
        )
        return
    if read.size < count:
        yield Check(
            f"{name}: readings",
            Verdict.LOOK,
            f"{100.0 * read.size / count:.0f} %",
            "100 %",
            f"The {name} was away for a part of the time.",
            "Check its plug and wires while you move them gently.",
        )
    mean_mm = float(read.mean())
    if name.startswith("potentiometer") and travel_mm is not None:
        low, high = END * travel_mm, (1.0 - END) * travel_mm
        if not low <= mean_mm <= high:
            # A draw-wire that is wound in stands at its start by nature; an open wiper is
            # pulled to the other end.
            yield Check(
                f"{name}: place",
                Verdict.LOOK if mean_mm < low else Verdict.BAD,
                f"{mean_mm:.2f} mm",
                f"{low:.1f} to {high:.1f} mm",
                "It stands at its start: wound in or pushed home, or its wiper is shorted."
                if mean_mm < low
                else "It stands at its far end: a wire of it is broken, or it is drawn right out.",
                "Move it to the middle and check again; then check its three wires.",
                value=mean_mm,
                unit="mm",
            )
            return
    noise_mm = noise_of(read[:, None], rate_hz)
    if noise_mm == 0.0 and name.startswith("potentiometer"):
        yield Check(
            f"{name}: flicker",
            Verdict.LOOK,
            "none at all",
            "",
            "Its reading never changes, not even in the last digit: it may be stuck.",
            "Move it by hand while `knuckle watch` runs: the reading must follow.",
        )
        return
    yield Check(f"{name}: place", Verdict.GOOD, f"{mean_mm:.2f} mm", value=mean_mm, unit="mm")
    yield within(
        f"{name}: noise",
        noise_mm,
        "mm",
        NOISE_GOOD_MM,
        NOISE_BAD_MM,
        "Its reading is unsteady.",
        "Keep it still; check its wires, and keep them away from ignition and chargers.",
        form=".3f",
    )
