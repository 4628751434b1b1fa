"""How many bytes a second the samples take, and the averaging that a line can carry.

All in whole numbers, so that firmware and host come to the same answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from knuckle.wire.framing import FRAME_OVERHEAD, LONGEST_PAYLOAD
from knuckle.wire.messages import Channel, sample_width

SAMPLES_HEAD: Final = 9
"""Bytes of a sample frame's payload before the readings."""
BATCHES_PER_S: Final = 5
"""A sample frame goes out at least this often, full or not."""
OTHER_TRAFFIC: Final = 120
"""Bytes a second kept free for hello, status, replies."""
LARGEST_AVERAGING: Final = 4096


def sample_bytes(channels: Sequence[Channel], averaging: int) -> int:
    """Return the bytes of one sample: all axes of all channels."""
    return sum(channel.axes * sample_width(channel.bits, averaging) for channel in channels)


def samples_per_frame(
    channels: Sequence[Channel], averaging: int, raw_period_ticks: int, tick_hz: int
) -> int:
    """Return how many samples a pod puts into one frame: what fits, or 0.2 s, at least one."""
    fits = (LONGEST_PAYLOAD - SAMPLES_HEAD) // sample_bytes(channels, averaging)
    in_time = tick_hz // (BATCHES_PER_S * raw_period_ticks * averaging)
    return max(1, min(fits, in_time, 255))


def carries(
    baud: int, channels: Sequence[Channel], averaging: int, raw_period_ticks: int, tick_hz: int
) -> bool:
    """Return whether a line of `baud` (10 bits a byte) carries the samples without loss.

    Nine tenths of the line, less `OTHER_TRAFFIC`, are counted on.
    """
    count = samples_per_frame(channels, averaging, raw_period_ticks, tick_hz)
    frame_bytes = FRAME_OVERHEAD + SAMPLES_HEAD + count * sample_bytes(channels, averaging)
    free_bits_per_s = 9 * baud // 10 - 10 * OTHER_TRAFFIC
    return 10 * frame_bytes * tick_hz <= free_bits_per_s * raw_period_ticks * averaging * count


def least_averaging(
    baud: int, channels: Sequence[Channel], raw_period_ticks: int, tick_hz: int
) -> int:
    """Return the smallest averaging that the line carries: the rule of docs/protocol.md.

    Raises
    ------
    ValueError
        If no averaging up to `LARGEST_AVERAGING` is enough.
    """
    for averaging in range(1, LARGEST_AVERAGING + 1):
        if carries(baud, channels, averaging, raw_period_ticks, tick_hz):
            return averaging
    raise ValueError(f"{baud} baud carry no sample stream of these channels")
