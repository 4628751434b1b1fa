"""A car, and what is typed and read back of a job on it, for the tests of `knuckle align`."""

from __future__ import annotations

import json
from collections.abc import Callable

from knuckle.model.result import SWEPT, Quantity

CAR = """name = "Plover"
wheelbase_mm = 2400
track_front_mm = 1400
track_rear_mm = 1400
rim_mm = 430
ballast_kg = 75

[front]
pressure_bar = 1.9
toe_link = { pitch_mm = 1.5, thread = "single", arm_mm = 120, side = "behind" }
camber_shim = { lever_mm = 250, place = "upper" }

[front.targets]
camber_deg = { aim = -1.5, within = 0.4 }
toe_deg = { aim = 0.1, within = 0.2 }

[rear]
pressure_bar = 1.8
toe_link = { pitch_mm = 1.5, thread = "single", arm_mm = 120 }

[rear.targets]
thrust_deg = { aim = 0, within = 0.2 }
"""

BY_TAPE = (Quantity.WHEELBASE_DIFFERENCE, Quantity.SETBACK)
IN_A_JOB = {
    *SWEPT,
    Quantity.TOE,
    Quantity.TOTAL_TOE,
    Quantity.THRUST,
    Quantity.FRONT_HEADING,
    Quantity.CROSS_CAMBER,
    Quantity.CROSS_CASTER,
    Quantity.CROSS_SAI,
    Quantity.INCLUDED,
    Quantity.CROSS_INCLUDED,
    *BY_TAPE,
}
Typed = Callable[..., tuple[int, str, str]]


def status(typed: Typed, car: str = "plover") -> dict[str, object]:
    code, out, err = typed("", "align", car, "--status", "--json")
    assert code == 0, err
    return json.loads(out)


def marks(typed: Typed) -> dict[str, str]:
    return {each["phase"]: each["state"] for each in status(typed)["phases"]}


def rows(typed: Typed) -> dict[str, dict[str, object]]:
    return {f"{row['place']} {row['quantity']}": row for row in status(typed)["figures"]}


def widest(out: str) -> int:
    """Of the lines but those that name the store, whose path is as long as it is."""
    return max(len(line) for line in out.splitlines() if "is kept in" not in line)


PREPARED = "\n" * 7
PADS = "0 0 0 0\n\nn\n"
STRINGS = "100 100 100 100\n\n1400/0.3 1400/0.3\nn\n"
BEFORE = (
    "camber LF -0.3/0.1\ncamber RF -1.5/0.1\ntoe LF 61.0/60.0 61.0/60.0\n"
    "toe RF 60.75/60.0 60.75/60.0\ntoe LR 60/60 60/60\ntoe RR 60/60 60/60\n"
    "wheelbase 2401/1 2400/1\ndone\n"
)
