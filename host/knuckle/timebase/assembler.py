"""Messages of one pod to blocks on one time base, from the pod's ticks alone."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np

from knuckle.model.block import LONGEST_BRIDGED_GAP_S, Block, FloatArray, IntArray, concatenate
from knuckle.timebase.text_rows import TextRows
from knuckle.timebase.ticks import TickCounter
from knuckle.wire.messages import (
    ChannelKind,
    Hello,
    Message,
    SampleBatch,
    TextHeader,
    TextSample,
)
from knuckle.wire.samples import fits, values

RESTART_PAUSE_S: Final = 1.0
"""Pod time put between the last sample before a restart and the first after it.

How long the pod was away cannot be told from its bytes; a fixed figure keeps a replay equal
to the live run to the last digit. The samples are in another stretch, so nothing is computed
across it.
"""


class BlockAssembler:
    """Collects samples and puts them on the recording's time base.

    The time of a sample is the centre of its averaging window, in ticks over the hello's
    nominal rate, zero at the first sample. A new stretch begins where the pod started again
    (its ticks ran back, or after a hello that says it does not stream its frame count began
    at 0 again), where more than `LONGEST_BRIDGED_GAP_S` is missing, and where the rate
    changed. Arrival times play no part.

    Attributes
    ----------
    hello : Hello or None
        The last hello seen.
    restarts : int
        How often the pod started again.
    skipped_batches : int
        Sample frames that do not fit the hello, or came before any.
    """

    def __init__(self) -> None:
        self.hello: Hello | None = None
        self.restarts = 0
        self.skipped_batches = 0
        self._counter = TickCounter()
        self._stopped = False
        self._started = False
        self._stretch = 0
        self._zero_half_ticks = 0
        self._base_s = 0.0
        self._last_t_s = 0.0
        self._expected_tick = 0
        self._period = 0
        self._text: TextRows | None = None

    def push(self, message: Message) -> Block | None:
        """Take one message and return the new samples, or None if it brought none."""
        return self.push_many((message,))

    def push_many(self, messages: Iterable[Message]) -> Block | None:
        """Take messages in order and return all their samples as one block.

        The same samples to the last bit as message by message. If the rate changes on
        the way, `rate_hz` is that of the first samples.
        """
        blocks: list[Block] = []
        batches: list[SampleBatch] = []
        for message in messages:
            if isinstance(message, SampleBatch):
                if batches and message.averaging != batches[0].averaging:
                    self._flush(batches, blocks)
                batches.append(message)
            elif isinstance(message, Hello):
                self._flush(batches, blocks)
                self._take_hello(message)
            elif isinstance(message, TextHeader | TextSample):
                self._flush(batches, blocks)
                block = self._take_text(message)
                if block is not None:
                    blocks.append(block)
        self._flush(batches, blocks)
        return concatenate(blocks) if blocks else None

    def _take_hello(self, hello: Hello) -> None:
        before = self.hello
        if before is not None and (
            before.tick_hz != hello.tick_hz or before.channels != hello.channels
        ):
            self._restart()
        if not hello.streaming:
            self._stopped = True
        self.hello = hello

    def _take_text(self, message: TextHeader | TextSample) -> Block | None:
        if self._text is None:
            self._text = TextRows(RESTART_PAUSE_S)
        block = self._text.push(message)
        self.restarts = max(self.restarts, self._text.restarts)
        return block

    def _restart(self) -> None:
        if self._started:
            self.restarts += 1
        self._started = False
        self._counter.restart()

    def _flush(self, batches: list[SampleBatch], blocks: list[Block]) -> None:
        """Turn the collected batches, all of one averaging, into a block."""
        if not batches:
            return
        hello = self.hello
        taken = list(batches)
        batches.clear()
        good = (
            []
            if hello is None or not _has_accelerometer(hello) or hello.tick_hz <= 0
            else [b for b in taken if b.samples > 0 and fits(hello, b)]
        )
        self.skipped_batches += len(taken) - len(good)
        if not good or hello is None:
            return
        readings = values(hello, good)
        t_s, lost, stretch = self._times(hello, good)
        period_ticks = good[0].averaging * max(hello.raw_period_ticks, 1)
        blocks.append(
            Block(
                t_s=t_s,
                accel_g=readings.accel_g,
                gyro_dps=readings.gyro_dps,
                temp_c=readings.temp_c,
                linear_mm=readings.linear_mm,
                lost_before=lost,
                stretch=stretch,
                clipped=readings.clipped,
                rate_hz=hello.tick_hz / period_ticks,
            )
        )

    def _times(
        self, hello: Hello, batches: list[SampleBatch]
    ) -> tuple[FloatArray, IntArray, IntArray]:
        averaging = batches[0].averaging
        period = averaging * max(hello.raw_period_ticks, 1)
        counts = np.array([b.samples for b in batches], dtype=np.int64)
        firsts = np.empty(len(batches), dtype=np.int64)
        bases = np.empty(len(batches))
        lost = np.zeros(len(batches), dtype=np.int64)
        stretches = np.empty(len(batches), dtype=np.int64)
        for i, batch in enumerate(batches):
            if self._stopped and batch.sequence == 0:
                self._restart()
            self._stopped = False
            tick = self._counter.unwrap(batch.tick)
            if tick is None or (self._started and self._expected_tick - tick > max(period // 2, 1)):
                self._restart()
                tick = self._counter.unwrap(batch.tick)
                assert tick is not None
            if not self._started:
                self._begin(tick, period)
            else:
                missing = tick - self._expected_tick
                lost[i] = max(0, round(missing / period))
                long_gap = lost[i] > 0 and missing > LONGEST_BRIDGED_GAP_S * hello.tick_hz
                if long_gap or period != self._period:
                    self._stretch += 1
                    self._period = period
            # Twice the ticks, so that the centre of the window is a whole number.
            firsts[i] = 2 * tick + period - self._zero_half_ticks
            bases[i] = self._base_s
            stretches[i] = self._stretch
            self._expected_tick = tick + batch.samples * period
            last = firsts[i] + 2 * period * (batch.samples - 1)
            self._last_t_s = self._base_s + float(last) / (2.0 * hello.tick_hz)
        starts = np.cumsum(counts) - counts
        place = np.arange(int(counts.sum()), dtype=np.int64) - np.repeat(starts, counts)
        half_ticks = np.repeat(firsts, counts) + 2 * period * place
        t_s = np.repeat(bases, counts) + half_ticks / (2.0 * hello.tick_hz)
        lost_before = np.zeros(len(place), dtype=np.int64)
        lost_before[starts] = lost
        return t_s, lost_before, np.repeat(stretches, counts)

    def _begin(self, tick: int, period: int) -> None:
        """Start a time base at this tick, at 0 or behind the one before."""
        if self._period:
            self._base_s = self._last_t_s + RESTART_PAUSE_S
            self._stretch += 1
        self._zero_half_ticks = 2 * tick + period
        self._period = period
        self._started = True


def _has_accelerometer(hello: Hello) -> bool:
    return any(c.kind == ChannelKind.ACCELEROMETER and c.axes == 3 for c in hello.channels)
