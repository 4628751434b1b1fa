"""How one pod's link does: figures once a second, and whether it carries the rate."""

from __future__ import annotations

from typing import Final

from knuckle.model.block import Block
from knuckle.model.linear import LinearBlock
from knuckle.model.wheel import Wheel
from knuckle.run.events import LinearSamples, RateFitted, RunEvent, Samples
from knuckle.run.exchange import Exchange, Request
from knuckle.run.health import HealthMeter
from knuckle.run.rate_fit import RateFit
from knuckle.timebase.assembler import TRIAL_S
from knuckle.wire.commands import set_rate
from knuckle.wire.decoder import DecodeCounts
from knuckle.wire.messages import Command, Hello

ON_ITS_WAY_S: Final = 2.5
"""Until a pod has the word to average more, and its first sample of the new rate is taken."""


class LinkCondition:
    """Gathers what arrives; tells `Health`, and `RateFitted` where samples are lost all the time.

    Parameters
    ----------
    wheel : Wheel
    fits : bool
        Whether to judge the rate: of a link whose throughput is not known beforehand.

    Attributes
    ----------
    averaging : int
        The least that the link has been found to carry.
    restarted : bool
        Whether the pod has started anew since the run's first sample.
    """

    def __init__(self, wheel: Wheel, *, fits: bool) -> None:
        self.averaging = 1
        self.restarted = False
        self._wheel = wheel
        self._fits = fits
        self._health = HealthMeter(wheel)
        self._fit = RateFit()
        self._newest_s = 0.0
        self._advised = False

    def start_over(self) -> None:
        """Forget the period under way: the link was down."""
        self._health.start_over()
        self._fit.start_over()

    def arrived(self, byte_count: int) -> None:
        """Take note of bytes."""
        self._health.arrived(byte_count)
        self._fit.arrived(byte_count)

    def take(self, event: RunEvent) -> None:
        """Take samples."""
        match event:
            case Samples(at_s=at_s, block=block):
                self._health.push(block)
                self._sampled(block, at_s)
            case LinearSamples(at_s=at_s, linear=linear):
                self._sampled(linear, at_s)

    def report(
        self, at_s: float, counts: DecodeCounts, hello: Hello | None, exchange: Exchange
    ) -> list[RunEvent]:
        """Return the figures, if a period is over, and what they mean for the rate.

        Where the rate is to fall the pod is told so; if it does not take it, the same is found
        and said again.
        """
        health = self._health.report(at_s, counts)
        told: list[RunEvent] = [] if health is None else [health]
        if not self._fits or hello is None or not hello.channels:
            return told
        found = self._fit.judge(at_s, counts, hello, max(self.averaging, hello.averaging))
        if found is None:
            return told
        fit, early = found
        if fit.averaging <= hello.averaging:
            return told
        applied = early and not self.restarted and self._newest_s <= TRIAL_S - ON_ITS_WAY_S
        if not applied and self._advised:
            return told
        rate_hz = hello.tick_hz / (max(1, hello.raw_period_ticks) * fit.averaging)
        told.append(RateFitted(self._wheel, at_s, fit.bytes_per_s, fit.averaging, rate_hz, applied))
        self._fit.start_over()
        if applied:
            self.averaging = fit.averaging
            request = Request(Command.SET_RATE, set_rate(0, fit.averaging))
            exchange.send(request, at_s, lambda reply: None)
        else:
            self._advised = True
        return told

    def _sampled(self, block: Block | LinearBlock, at_s: float) -> None:
        if len(block):
            self._newest_s = float(block.t_s[-1])
            self._fit.sampled(len(block), int(block.lost_before.sum()), self._newest_s, at_s)
