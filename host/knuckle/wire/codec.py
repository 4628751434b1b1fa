"""Pod messages to frames and back. Commands to the pod are in `commands`, and offered here too."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from typing import Final

from knuckle.wire.commands import (
    CommandDecoder,
    cue,
    encode_command,
    set_rate,
    settings_read,
    settings_write,
)
from knuckle.wire.framing import encode_frame
from knuckle.wire.messages import (
    PROTOCOL,
    Ack,
    Button,
    Channel,
    ChannelKind,
    ClockReply,
    Fault,
    FrameType,
    Hello,
    Message,
    ResetCause,
    SampleBatch,
    SelfTestReply,
    Sensor,
    SettingsData,
    Status,
    TextHeader,
    TextSample,
    Unknown,
    sample_width,
)

__all__ = [
    "CommandDecoder",
    "cue",
    "decode_message",
    "encode_command",
    "encode_message",
    "set_rate",
    "settings_read",
    "settings_write",
]

LONGEST_NAME: Final = 24
"""Bytes of UTF-8 in the pod's name and in its hardware id."""
MOST_CHANNELS: Final = 8
IDENTITY_BYTES: Final = 8

_FIXED = struct.Struct("<BBBBBB8s")
_RATES = struct.Struct("<IIHH")
_CHANNEL = struct.Struct("<BBBBffff")
_SAMPLES = struct.Struct("<xHIHB")
_SAMPLES_SIZE = _SAMPLES.size
_PARTIAL = struct.Struct("<xHIHBB")
_STATUS = struct.Struct("<IIIIII")
_FAULT = struct.Struct("<IBBB")
_ACK = struct.Struct("<BBB")
_SETTINGS = struct.Struct("<BH")
_CLOCK = struct.Struct("<BI")
_BUTTON = struct.Struct("<IB")


def _counted(text: str) -> bytes:
    data = text.encode()
    if len(data) > LONGEST_NAME:
        raise ValueError(f"{text!r} takes more than {LONGEST_NAME} bytes")
    return bytes((len(data),)) + data


def _hello_payload(hello: Hello) -> bytes:
    if len(hello.channels) > MOST_CHANNELS:
        raise ValueError(f"{len(hello.channels)} channels; a hello holds {MOST_CHANNELS}")
    if len(hello.identity) != IDENTITY_BYTES:
        raise ValueError(f"identity has {len(hello.identity)} bytes, not {IDENTITY_BYTES}")
    parts = [
        _FIXED.pack(
            hello.protocol,
            hello.reset_cause,
            int(hello.streaming),
            *hello.firmware,
            hello.identity,
        ),
        _RATES.pack(hello.tick_hz, hello.raw_period_ticks, hello.averaging, hello.least_averaging),
        _counted(hello.hardware),
        _counted(hello.name),
        bytes((len(hello.channels), _CHANNEL.size)),
    ]
    for row in hello.channels:
        parts.append(
            _CHANNEL.pack(
                row.kind,
                row.sensor,
                row.axes,
                row.bits,
                row.scale,
                row.offset,
                row.full_scale,
                row.noise_density,
            )
        )
    return b"".join(parts)


def encode_message(message: Message) -> bytes:
    """Return a whole frame, delimiters at both ends, as a pod sends it.

    Raises
    ------
    ValueError
        If a field does not fit its bytes.
    TypeError
        For lines of the text format, which are no frames.
    """
    try:
        return _encode(message)
    except (struct.error, OverflowError) as error:
        raise ValueError(f"a field of {type(message).__name__} does not fit: {error}") from error


def _encode(message: Message) -> bytes:
    match message:
        case SampleBatch(mask=int() as mask):
            head = _PARTIAL.pack(*message[:4], mask)[1:]
            return encode_frame(FrameType.SAMPLES_PARTIAL, head + message.payload)
        case SampleBatch():
            head = _SAMPLES.pack(*message[:4])[1:]
            return encode_frame(FrameType.SAMPLES, head + message.payload)
        case Hello():
            return encode_frame(FrameType.HELLO, _hello_payload(message))
        case Status():
            return encode_frame(FrameType.STATUS, _STATUS.pack(*message))
        case Fault():
            return encode_frame(FrameType.FAULT, _FAULT.pack(*message))
        case Ack():
            return encode_frame(FrameType.ACK, _ACK.pack(*message))
        case SettingsData():
            head = _SETTINGS.pack(message.token, message.offset)
            return encode_frame(FrameType.SETTINGS_DATA, head + message.data)
        case ClockReply():
            return encode_frame(FrameType.CLOCK_REPLY, _CLOCK.pack(*message))
        case SelfTestReply():
            verdicts = bytes(message.verdicts)
            payload = bytes((message.token, len(verdicts))) + verdicts
            return encode_frame(FrameType.SELF_TEST_REPLY, payload)
        case Button():
            return encode_frame(FrameType.BUTTON, _BUTTON.pack(*message))
        case Unknown():
            return encode_frame(message.frame_type, message.payload)
        case TextHeader() | TextSample():
            raise TypeError("lines of the text format are no frames")


class _Malformed(Exception):
    """The payload does not follow its layout."""


def _sensor(number: int) -> Sensor:
    return Sensor(number) if number in Sensor.__members__.values() else Sensor.UNKNOWN


def _kind(number: int) -> ChannelKind | int:
    return ChannelKind(number) if number in ChannelKind.__members__.values() else number


def _reset_cause(number: int) -> ResetCause:
    known = ResetCause.__members__.values()
    return ResetCause(number) if number in known else ResetCause.UNKNOWN


def _text(body: bytes, at: int) -> tuple[str, int]:
    end = at + 1 + body[at]
    if end > len(body):
        raise _Malformed
    return body[at + 1 : end].decode("utf-8", errors="replace"), end


def _channel(body: bytes, at: int, averaging: int) -> Channel:
    kind, sensor, axes, bits, *figures = _CHANNEL.unpack_from(body, at)
    if not (1 <= axes <= 3 and 2 <= bits <= 32 and all(map(math.isfinite, figures))):
        raise _Malformed
    sample_width(bits, averaging)
    return Channel(_kind(kind), _sensor(sensor), axes, bits, *figures)


def _decode_hello(body: bytes) -> Hello:
    protocol, cause, flags, major, minor, patch, identity = _FIXED.unpack_from(body, 1)
    firmware = (major, minor, patch)
    streaming = bool(flags & 1)
    if protocol != PROTOCOL:
        # A newer pod's fixed part is enough to tell the user what to update.
        return Hello(
            protocol, "", firmware, identity, "", _reset_cause(cause), streaming, 0, 0, 0, 0, ()
        )
    at = 1 + _FIXED.size
    tick_hz, raw_period_ticks, averaging, least_averaging = _RATES.unpack_from(body, at)
    if not (tick_hz and raw_period_ticks and averaging and least_averaging):
        raise _Malformed
    hardware, at = _text(body, at + _RATES.size)
    name, at = _text(body, at)
    rows, row_size = body[at], body[at + 1]
    at += 2
    if rows > MOST_CHANNELS or row_size < _CHANNEL.size or at + rows * row_size > len(body):
        raise _Malformed
    return Hello(
        protocol=protocol,
        hardware=hardware,
        firmware=firmware,
        identity=identity,
        name=name,
        reset_cause=_reset_cause(cause),
        streaming=streaming,
        tick_hz=tick_hz,
        raw_period_ticks=raw_period_ticks,
        averaging=averaging,
        least_averaging=least_averaging,
        channels=tuple(_channel(body, at + row * row_size, averaging) for row in range(rows)),
    )


def _decode_samples(body: bytes) -> SampleBatch:
    head = _SAMPLES.unpack_from(body)
    payload = body[_SAMPLES_SIZE:]
    samples = head[3]
    if not samples or not head[2] or not payload or len(payload) % samples:
        raise _Malformed
    return tuple.__new__(SampleBatch, (*head, payload, None))


def _decode_partial(body: bytes) -> SampleBatch:
    sequence, tick, averaging, samples, mask = _PARTIAL.unpack_from(body)
    payload = body[_PARTIAL.size :]
    if not (samples and averaging and mask and payload) or len(payload) % samples:
        raise _Malformed
    return SampleBatch(sequence, tick, averaging, samples, payload, mask)


def _decode_fault(body: bytes) -> Fault:
    tick, code, channel, present = _FAULT.unpack_from(body, 1)
    return Fault(tick, code, channel, bool(present))


def _decode_settings(body: bytes) -> SettingsData:
    token, offset = _SETTINGS.unpack_from(body, 1)
    return SettingsData(token, offset, body[1 + _SETTINGS.size :])


def _decode_self_test(body: bytes) -> SelfTestReply:
    token, count = body[1], body[2]
    if len(body) < 3 + count:
        raise _Malformed
    return SelfTestReply(token, tuple(body[3 : 3 + count]))


def _decode_button(body: bytes) -> Button:
    tick, pressed = _BUTTON.unpack_from(body, 1)
    return Button(tick, bool(pressed))


_DECODERS: Final[dict[int, Callable[[bytes], Message]]] = {
    FrameType.HELLO.value: _decode_hello,
    FrameType.SAMPLES.value: _decode_samples,
    FrameType.STATUS.value: lambda body: Status._make(_STATUS.unpack_from(body, 1)),
    FrameType.FAULT.value: _decode_fault,
    FrameType.ACK.value: lambda body: Ack._make(_ACK.unpack_from(body, 1)),
    FrameType.SETTINGS_DATA.value: _decode_settings,
    FrameType.CLOCK_REPLY.value: lambda body: ClockReply._make(_CLOCK.unpack_from(body, 1)),
    FrameType.SELF_TEST_REPLY.value: _decode_self_test,
    FrameType.BUTTON.value: _decode_button,
    FrameType.SAMPLES_PARTIAL.value: _decode_partial,
}


def decode_message(body: bytes) -> Message | None:
    """Return the message of a good frame; None if its payload does not follow the layout.

    Parameters
    ----------
    body : bytes
        Type and payload, as `framing.decode_frame` returns them. Bytes after the known
        fields are passed over: later versions of the same protocol append there.
    """
    decode = _DECODERS.get(body[0])
    if decode is None:
        return Unknown(body[0], body[1:])
    try:
        return decode(body)
    except (_Malformed, struct.error, IndexError, ValueError):
        return None
