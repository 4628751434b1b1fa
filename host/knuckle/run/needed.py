"""What a measurement needs of a pod, told before anybody has turned a wheel for nothing."""

from __future__ import annotations

from typing import Final

from knuckle.errors import PodError
from knuckle.run.events import LinearSamples, PodSeen
from knuckle.wire.messages import ChannelKind

PATIENCE_S: Final = 3.0
"""Pod time of lengths alone after which a text pod counts as one without accelerometer."""


def check_accelerometer(seen: PodSeen, measure: str) -> None:
    """Refuse a pod whose channel table has no accelerometer.

    Raises
    ------
    PodError
        If there is none.
    """
    if seen.hello is None or not seen.hello.channels:
        return
    rows = seen.hello.channels
    if not any(row.kind == ChannelKind.ACCELEROMETER and row.axes == 3 for row in rows):
        raise _none(measure)


def check_not_lengths_alone(event: LinearSamples, measure: str) -> None:
    """Refuse a text pod that has sent nothing but lengths for `PATIENCE_S`.

    Raises
    ------
    PodError
        If that much has come.
    """
    linear = event.linear
    if len(linear) and float(linear.t_s[-1]) > PATIENCE_S:
        raise _none(measure)


def _none(measure: str) -> PodError:
    return PodError(
        f"The pod has no accelerometer, and {measure} is measured by it.",
        "The pod has a linear sensor only, or its accelerometer does not answer.",
        "If it should have one, check its wires with `knuckle selftest`; with a linear sensor "
        "alone `knuckle toe` works.",
    )
