"""Messages of one pod to blocks on one time base, from the pod's ticks alone."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

import numpy as np

from knuckle.model.block import Block, FloatArray, IntArray
from knuckle.model.linear import LinearBlock
from knuckle.timebase.assembled import Assembled, joined
from knuckle.timebase.linear_columns import LinearColumns
from knuckle.timebase.text_rows import TextRows
from knuckle.timebase.ticks import TickCounter
from knuckle.timebase.track import Track
from knuckle.wire.messages import Hello, Message, SampleBatch, TextHeader, TextSample
from knuckle.wire.samples import SampleValues, fits, values

RESTART_PAUSE_S: Final = 1.0
"""Pod time put between the last sample before a restart and the first after it.

How long the pod was away cannot be told from its bytes; a fixed figure keeps a replay equal
to the live run to the last digit. The samples are in another stretch, so nothing is computed
across it.
"""


TRIAL_S: Final = 10.0
"""From a recording's first sample: a rise of the averaging until then ends a trial.

The host has found that the link does not carry the rate. A recording of one rate is worth more
than the seconds before, of which much is lost.
"""


class BlockAssembler:
    """Collects samples and puts them on the recording's time base.

    The time of a sample is the centre of its averaging window, in ticks over the hello's
    nominal rate, zero at the first sample. A new stretch begins where the pod started again
    (its ticks ran back, or after a hello that says it does not stream its frame count began
    at 0 again), where more than `LONGEST_BRIDGED_GAP_S` is missing, and where the rate or the
    channel table changed. Arrival times play no part.

    A `Block` has the samples that hold the accelerometer, and the gyro if the first of them
    did: one without counts as lost there, and one gained later is left out, so that a
    recording has the same axes throughout. A `LinearBlock` has the samples that hold any
    linear channel.

    Attributes
    ----------
    hello : Hello or None
        The last hello seen.
    restarts : int
        How often the pod started again.
    skipped_batches : int
        Sample frames that do not fit the hello, or came before any.
    trials : int
        How often the averaging has risen within `TRIAL_S`: the samples before do not count.
    """

    def __init__(self) -> None:
        self.hello: Hello | None = None
        self.restarts = 0
        self.skipped_batches = 0
        self.trials = 0
        self._averaging = 0
        self._counter = TickCounter()
        self._stopped = False
        self._started = False
        self._begun = False
        self._zero_half_ticks = 0
        self._base_s = 0.0
        self._last_t_s = 0.0
        self._expected_tick = 0
        self._has_gyro: bool | None = None
        self._motion = Track()
        self._lengths = Track()
        self._columns = LinearColumns()
        self._text: TextRows | None = None

    @property
    def linear_names(self) -> tuple[str, ...]:
        """What each column of `LinearBlock.linear_mm` is: a sensor, or a text pod's column."""
        return self._columns.names if self._text is None else self._text.linear_names

    def push(self, message: Message) -> Block | None:
        """Take one message and return the new samples, or None if it brought none."""
        return self.assemble((message,)).block

    def push_many(self, messages: Iterable[Message]) -> Block | None:
        """Take messages in order and return the samples with an accelerometer as one block."""
        return self.assemble(messages).block

    def assemble(self, messages: Iterable[Message]) -> Assembled:
        """Take messages in order and return all their samples.

        The same samples to the last bit as message by message. If the rate changes on
        the way, `rate_hz` is that of the first samples.
        """
        found: list[Assembled] = []
        batches: list[SampleBatch] = []
        for message in messages:
            if isinstance(message, SampleBatch):
                if batches and _shape(message) != _shape(batches[0]):
                    self._flush(batches, found)
                batches.append(message)
            elif isinstance(message, Hello):
                self._flush(batches, found)
                self._take_hello(message)
            elif isinstance(message, TextHeader | TextSample):
                self._flush(batches, found)
                found.append(self._take_text(message))
        self._flush(batches, found)
        return joined(found)

    def _take_hello(self, hello: Hello) -> None:
        before = self.hello
        if before is not None and before.tick_hz != hello.tick_hz:
            self._restart()
        elif before is not None and before.channels != hello.channels:
            self._motion.break_off()
            self._lengths.break_off()
        if not hello.streaming:
            self._stopped = True
        self.hello = hello

    def _take_text(self, message: TextHeader | TextSample) -> Assembled:
        if self._text is None:
            self._text = TextRows(RESTART_PAUSE_S)
        found = self._text.push(message)
        self.restarts = max(self.restarts, self._text.restarts)
        return found

    def _restart(self) -> None:
        if self._started:
            self.restarts += 1
        self._started = False
        self._counter.restart()
        self._motion.restart()
        self._lengths.restart()

    def _flush(self, batches: list[SampleBatch], found: list[Assembled]) -> None:
        """Turn the collected batches, all of one averaging and mask, into blocks."""
        if not batches:
            return
        hello = self.hello
        taken = list(batches)
        batches.clear()
        good = (
            []
            if hello is None or hello.tick_hz <= 0
            else [b for b in taken if b.samples > 0 and fits(hello, b)]
        )
        self.skipped_batches += len(taken) - len(good)
        if not good or hello is None:
            return
        found.append(self._assembled(hello, good, values(hello, good)))

    def _assembled(
        self, hello: Hello, batches: list[SampleBatch], readings: SampleValues
    ) -> Assembled:
        """Put readings on the time base, for whom they are good."""
        has_motion = self._admits(readings)
        lengths = self._columns.placed(hello, readings.linear_mm)
        has_lengths = lengths is not None and not np.isnan(lengths[0]).all()
        period = batches[0].averaging * max(hello.raw_period_ticks, 1)
        tracks = (
            *((self._motion,) if has_motion else ()),
            *((self._lengths,) if has_lengths else ()),
        )
        restarts, before_s, begun = self.restarts, self._last_t_s, self._begun
        t_s, starts = self._times(hello, batches, period, tracks)
        rises = 0 < self._averaging < batches[0].averaging
        if begun and rises and restarts == self.restarts == 0 and before_s <= TRIAL_S:
            self.trials += 1
        self._averaging = batches[0].averaging
        rate_hz = hello.tick_hz / period
        found = Assembled(None, None)
        if has_motion:
            assert readings.accel_g is not None
            lost, stretch = self._motion.taken(starts, len(t_s))
            found.block = Block(
                t_s=t_s,
                accel_g=readings.accel_g,
                gyro_dps=readings.gyro_dps if self._has_gyro else None,
                temp_c=readings.temp_c,
                linear_mm=lengths,
                lost_before=lost,
                stretch=stretch,
                clipped=readings.clipped,
                rate_hz=rate_hz,
            )
        if has_lengths:
            assert lengths is not None
            lost, stretch = self._lengths.taken(starts, len(t_s))
            found.linear = LinearBlock(t_s, lengths, lost, stretch, rate_hz)
        return found

    def _admits(self, readings: SampleValues) -> bool:
        """Return whether readings belong into a block: see the class."""
        if readings.accel_g is None:
            return False
        if self._has_gyro is None:
            self._has_gyro = readings.gyro_dps is not None
        return readings.gyro_dps is not None or not self._has_gyro

    def _times(
        self, hello: Hello, batches: list[SampleBatch], period: int, tracks: tuple[Track, ...]
    ) -> tuple[FloatArray, IntArray]:
        """Return each sample's time, and the place of each batch's first."""
        counts = np.array([b.samples for b in batches], dtype=np.int64)
        firsts = np.empty(len(batches), dtype=np.int64)
        bases = np.empty(len(batches))
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
            for track in tracks:
                track.take(tick, batch.samples, period, hello.tick_hz)
            # Twice the ticks, so that the centre of the window is a whole number.
            firsts[i] = 2 * tick + period - self._zero_half_ticks
            bases[i] = self._base_s
            self._expected_tick = tick + batch.samples * period
            last = firsts[i] + 2 * period * (batch.samples - 1)
            self._last_t_s = self._base_s + float(last) / (2.0 * hello.tick_hz)
        starts = np.cumsum(counts) - counts
        place = np.arange(int(counts.sum()), dtype=np.int64) - np.repeat(starts, counts)
        half_ticks = np.repeat(firsts, counts) + 2 * period * place
        return np.repeat(bases, counts) + half_ticks / (2.0 * hello.tick_hz), starts

    def _begin(self, tick: int, period: int) -> None:
        """Start a time base at this tick, at 0 or behind the one before."""
        if self._begun:
            self._base_s = self._last_t_s + RESTART_PAUSE_S
        self._begun = True
        self._zero_half_ticks = 2 * tick + period
        self._started = True


def of_one_averaging(messages: Iterable[Message]) -> Iterator[list[Message]]:
    """Cut messages where the averaging of their samples changes, so that a trial ends with one."""
    together: list[Message] = []
    averaging: int | None = None
    for message in messages:
        if isinstance(message, SampleBatch):
            if averaging not in (None, message.averaging):
                yield together
                together = []
            averaging = message.averaging
        together.append(message)
    yield together


def _shape(batch: SampleBatch) -> tuple[int, int | None]:
    return batch.averaging, batch.mask
