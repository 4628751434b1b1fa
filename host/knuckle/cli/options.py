"""Options that several commands share, each described once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

import typer

from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel
from knuckle.quantities import duration_s, plain_number


def read_wheel(text: str) -> Wheel:
    """Read a wheel's name, capitals or not.

    Raises
    ------
    UsageError
        If it is none.
    """
    name = text.strip().upper()
    if name not in set(Wheel):
        raise UsageError(
            f"{text!r} is no wheel.",
            "",
            "Write LF, RF, LR or RR: left or right, front or rear.",
        )
    return Wheel(name)


def _above_zero(text: str, read: Callable[[str], float], what: str) -> float:
    value = read(text)
    if value <= 0.0:
        raise UsageError(f"{what} must be above 0; {text} is not.", "", "Give it, or leave it out.")
    return value


def rate_hz(text: str) -> float:
    """Read a rate of samples.

    Raises
    ------
    UsageError
        If it is no number above 0.
    """
    return _above_zero(text, plain_number, "--rate")


def length_s(text: str) -> float:
    """Read how long something shall last.

    Raises
    ------
    UsageError
        If it is no number above 0.
    """
    return _above_zero(text, duration_s, "--seconds")


BudgetOption = Annotated[
    bool,
    typer.Option(
        "--budget", help="Print each result's uncertainty budget: every term, type and freedom."
    ),
]
PodOption = Annotated[
    str | None,
    typer.Option(
        "--pod",
        metavar="ADDRESS",
        help="The pod: serial:PORT, ble:NAME, sim:, avr:, file:NAME. Without it, the setting "
        "`pod`, else the one pod that is plugged in or in reach.",
        show_default=False,
    ),
]
WheelOption = Annotated[
    Wheel,
    typer.Option(
        "--wheel", metavar="WHEEL", parser=read_wheel, help="The wheel: LF, RF, LR or RR."
    ),
]
RateOption = Annotated[
    float | None,
    typer.Option(
        "--rate",
        metavar="HZ",
        parser=rate_hz,
        help="Samples a second to ask the pod for; as the pod is set if not given.",
        show_default=False,
    ),
]
SecondsOption = Annotated[
    float | None,
    typer.Option(
        "--seconds",
        metavar="S",
        parser=length_s,
        help="End by itself after so long (the pod's time).",
        show_default=False,
    ),
]
