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
    accel_g : ndarray, shape (n, 3)
    gyro_dps : ndarray, shape (n, 3), or None
    temp_c : ndarray, shape (n,), or None
    linear_mm : ndarray, shape (n, m), or None
        One column for each linear channel, in the hello's order.
    clipped : ndarray of bool, shape (n,)
        Whether an accelerometer axis stood at `CLIPPED_FROM` of its range or above.
    """

    accel_g: FloatArray
    gyro_dps: FloatArray | None
    temp_c: FloatArray | None
    linear_mm: FloatArray | None
    clipped: BoolArray


def fits(hello: Hello, batch: SampleBatch) -> bool:
    """Return whether the batch's bytes are those of the hello's channels and averaging.

    It does not when the hello is of another configuration, or newer than this program.
    """
    if not hello.channels or batch.mask is not None:
        return False
    try:
        size = sample_bytes(hello.channels, batch.averaging)
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
        With an accelerometer of three axes.
    batches : sequence of SampleBatch
        At least one, all of the same averaging, each of which `fits` the hello.

    Raises
    ------
    ValueError
        If the batches are not so, or there is no accelerometer.
    """
    if not batches or any(
        batch.averaging != batches[0].averaging or not fits(hello, batch) for batch in batches
    ):
        raise ValueError("the batches do not fit the hello")
    averaging = batches[0].averaging
    payload = b"".join([batch.payload for batch in batches])
    raw = np.frombuffer(payload, dtype=np.uint8).reshape(
        -1, sample_bytes(hello.channels, averaging)
    )
    found: dict[ChannelKind, list[FloatArray]] = {kind: [] for kind in ChannelKind}
    clipped: BoolArray | None = None
    at = 0
    for channel in hello.channels:
        width = sample_width(channel.bits, averaging)
        end = at + width * channel.axes
        if isinstance(channel.kind, ChannelKind):
            sums = _sums(raw[:, at:end], width)
            readings = channel.offset + channel.scale / averaging * sums
            if channel.kind is ChannelKind.ACCELEROMETER and clipped is None:
                clipped = _clipped(readings, channel)
            found[channel.kind].append(readings)
        at = end
    accel = found[ChannelKind.ACCELEROMETER]
    if clipped is None or accel[0].shape[1] != 3:
        raise ValueError("the pod has no accelerometer of three axes")
    gyro = [readings for readings in found[ChannelKind.GYRO] if readings.shape[1] == 3]
    temperature = found[ChannelKind.TEMPERATURE]
    return SampleValues(
        accel_g=accel[0],
        gyro_dps=gyro[0] if gyro else None,
        temp_c=temperature[0][:, 0] if temperature else None,
        linear_mm=_columns(found[ChannelKind.LINEAR]),
        clipped=clipped,
    )


def _clipped(readings: FloatArray, channel: Channel) -> BoolArray:
    if channel.full_scale <= 0:
        return np.zeros(readings.shape[0], dtype=np.bool_)
    flags: BoolArray = np.any(np.abs(readings) >= CLIPPED_FROM * channel.full_scale, axis=1)
    return flags
