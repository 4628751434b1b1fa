"""Raw sums of sample frames to physical values, as arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.model.block import BoolArray, FloatArray
from knuckle.wire.budget import sample_bytes
from knuckle.wire.messages import Channel, ChannelKind, Hello, SampleBatch, sample_width

CLIPPED_FROM: Final = 0.999
"""Part of the full scale from which on a reading counts as clipped."""


@dataclass(frozen=True, slots=True)
class SampleValues:
    """Readings in the units of their kinds, n samples.

    Attributes
    ----------
    accel_g : ndarray, shape (n, 3), or None
        None without an accelerometer of three axes, and where it was away.
    gyro_dps : ndarray, shape (n, 3), or None
        The same.
    temp_c : ndarray, shape (n,), or None
        None without such a channel; NaN where it was away.
    linear_mm : ndarray, shape (n, m), or None
        One column for each linear axis, in the hello's order; NaN where a channel was away.
    clipped : ndarray of bool, shape (n,)
        Whether an accelerometer axis stood at `CLIPPED_FROM` of its range or above.
    """

    accel_g: FloatArray | None
    gyro_dps: FloatArray | None
    temp_c: FloatArray | None
    linear_mm: FloatArray | None
    clipped: BoolArray


def sent_channels(hello: Hello, batch: SampleBatch) -> tuple[Channel, ...]:
    """Return the rows of the hello's table whose readings the batch holds."""
    mask = batch.mask
    if mask is None:
        return hello.channels
    return tuple(row for i, row in enumerate(hello.channels) if mask >> i & 1)


def fits(hello: Hello, batch: SampleBatch) -> bool:
    """Return whether the batch's bytes are those of the hello's channels and averaging.

    It does not when the hello is of another configuration, or newer than this program.
    """
    if batch.mask is not None and batch.mask >> len(hello.channels):
        return False
    channels = sent_channels(hello, batch)
    if not channels:
        return False
    try:
        size = sample_bytes(channels, batch.averaging)
    except ValueError:
        return False
    return len(batch.payload) == size * batch.samples


def _sums(raw: np.ndarray[tuple[int, int], np.dtype[np.uint8]], width: int) -> FloatArray:
    """Read little-endian signed numbers of `width` bytes from each row."""
    count = raw.shape[0]
    if width == 3:
        wide = np.zeros((count, raw.shape[1] // 3, 4), dtype=np.uint8)
        # Into the upper three bytes, so that the shift back extends the sign.
        wide[:, :, 1:] = raw.reshape(count, -1, 3)
        return (wide.view("<i4")[:, :, 0] >> 8).astype(np.float64)
    whole = np.ascontiguousarray(raw).view("<i2" if width == 2 else "<i4")
    return whole.astype(np.float64)


def _columns(parts: list[FloatArray]) -> FloatArray | None:
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=1)


def values(hello: Hello, batches: Sequence[SampleBatch]) -> SampleValues:
    """Return the physical values of consecutive batches, one row a sample.

    value = offset + scale * sum / averaging, channel by channel. Of several accelerometers
    or gyros the first counts; channels of unknown kinds are passed over.

    Parameters
    ----------
    hello : Hello
    batches : sequence of SampleBatch
        At least one, all of the same averaging and mask, each of which `fits` the hello.

    Raises
    ------
    ValueError
        If the batches are not so.
    """
    if not batches or any(
        batch.averaging != batches[0].averaging
        or batch.mask != batches[0].mask
        or not fits(hello, batch)
        for batch in batches
    ):
        raise ValueError("the batches do not fit the hello")
    averaging, mask = batches[0].averaging, batches[0].mask
    payload = b"".join([batch.payload for batch in batches])
    raw = np.frombuffer(payload, dtype=np.uint8).reshape(
        -1, sample_bytes(sent_channels(hello, batches[0]), averaging)
    )
    found: dict[ChannelKind, list[FloatArray | None]] = {kind: [] for kind in ChannelKind}
    linear: list[FloatArray] = []
    clipped: BoolArray = np.zeros(raw.shape[0], dtype=np.bool_)
    at = 0
    for place, channel in enumerate(hello.channels):
        sent = mask is None or mask >> place & 1
        readings: FloatArray | None = None
        if sent:
            width = sample_width(channel.bits, averaging)
            end = at + width * channel.axes
            if isinstance(channel.kind, ChannelKind):
                sums = _sums(raw[:, at:end], width)
                readings = channel.offset + channel.scale / averaging * sums
            at = end
        if channel.kind == ChannelKind.LINEAR:
            missing = np.full((raw.shape[0], channel.axes), np.nan)
            linear.append(missing if readings is None else readings)
        elif isinstance(channel.kind, ChannelKind) and _counts(channel):
            if channel.kind is ChannelKind.ACCELEROMETER and not found[channel.kind]:
                clipped = clipped if readings is None else _clipped(readings, channel)
            found[channel.kind].append(readings)
    temperature = found[ChannelKind.TEMPERATURE]
    return SampleValues(
        accel_g=_first(found[ChannelKind.ACCELEROMETER]),
        gyro_dps=_first(found[ChannelKind.GYRO]),
        temp_c=_temperature(temperature[0], raw.shape[0]) if temperature else None,
        linear_mm=_columns(linear),
        clipped=clipped,
    )


def _counts(channel: Channel) -> bool:
    """Return whether a channel that is not linear can be used: three axes where there are any."""
    return channel.axes == 3 or channel.kind is ChannelKind.TEMPERATURE


def _first(parts: list[FloatArray | None]) -> FloatArray | None:
    return parts[0] if parts else None


def _temperature(readings: FloatArray | None, count: int) -> FloatArray:
    return np.full(count, np.nan) if readings is None else readings[:, 0]


def _clipped(readings: FloatArray, channel: Channel) -> BoolArray:
    if channel.full_scale <= 0:
        return np.zeros(readings.shape[0], dtype=np.bool_)
    flags: BoolArray = np.any(np.abs(readings) >= CLIPPED_FROM * channel.full_scale, axis=1)
    return flags
