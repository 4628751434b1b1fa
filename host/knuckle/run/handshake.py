"""From a pod's hello to its first sample."""

from __future__ import annotations

from collections.abc import Generator

from knuckle.errors import KnuckleError, PodError
from knuckle.run.exchange import Reply, Request
from knuckle.wire.commands import set_rate
from knuckle.wire.messages import Command, Hello


def start_stream(
    hello: Hello, rate_hz: float | None, at_least: int = 1
) -> Generator[Request, Reply, KnuckleError | None]:
    """Set the rate, if one is asked for, and start the samples.

    Parameters
    ----------
    rate_hz : float or None
        Samples a second; the pod takes the nearest that whole averaging gives, and never
        more than its line carries. None leaves the pod as it is.
    at_least : int
        Averaging that the link needs, as it has shown.

    Returns
    -------
    KnuckleError or None
        Why no samples come.
    """
    if not hello.channels:
        return no_sensor()
    averaging = max(averaging_for(hello, rate_hz), at_least)
    if averaging != hello.averaging:
        reply = yield Request(Command.SET_RATE, set_rate(hello.raw_period_ticks, averaging))
        if isinstance(reply, KnuckleError):
            return reply
        yield Request(Command.HELLO)  # so that the hello on record is what the samples follow
    reply = yield Request(Command.START)
    if isinstance(reply, PodError) and hello.streaming:
        return None
    return reply if isinstance(reply, KnuckleError) else None


def no_sensor() -> PodError:
    """Return the error of a pod that has found none of its sensors."""
    return PodError(
        "The pod answers, but it finds no sensor.",
        "A wire of the sensor is loose or swapped, or the sensor has no supply.",
        "Unplug the pod, check the four wires of the sensor's bus (supply, ground, clock, data), "
        "and plug it in again; `knuckle selftest` says what it finds.",
    )


def averaging_for(hello: Hello, rate_hz: float | None) -> int:
    """Return how many raw readings make one sample at about `rate_hz`."""
    if rate_hz is None or hello.raw_period_ticks <= 0:
        return hello.averaging
    raw_hz = hello.tick_hz / hello.raw_period_ticks
    return max(1, hello.least_averaging, round(raw_hz / rate_hz))
