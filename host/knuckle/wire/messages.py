"""The typed messages of the wire. Encoding and decoding are in `codec`; bytes in docs/protocol.md.

Times on the wire are pod ticks (unsigned 32 bit, wrapping); `Hello.tick_hz` gives their rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple


class ChannelKind(IntEnum):
    """What a channel measures; in brackets the unit its scale leads to."""

    ACCELEROMETER = 1
    """Specific force, three axes (g)."""
    GYRO = 2
    """Angular rate, three axes (deg/s)."""
    TEMPERATURE = 3
    """Temperature (degrees Celsius)."""
    LINEAR = 4
    """Length, one axis (mm); a pod may have several."""


class Sensor(IntEnum):
    """The part behind a channel, so that the host can use its data sheet."""

    UNKNOWN = 0
    MPU6050 = 1
    ADXL355 = 2
    POTENTIOMETER = 3
    CALIPER = 4
    SIMULATED = 5


class ResetCause(IntEnum):
    """Why the pod last started."""

    UNKNOWN = 0
    POWER_ON = 1
    EXTERNAL = 2
    BROWN_OUT = 3
    WATCHDOG = 4
    COMMAND = 5


class Command(IntEnum):
    """Frame types from host to pod."""

    HELLO = 0x41
    START = 0x42
    STOP = 0x43
    SET_RATE = 0x44
    SETTINGS_READ = 0x45
    SETTINGS_WRITE = 0x46
    CLOCK = 0x47
    CUE = 0x48
    SELF_TEST = 0x49
    STATUS = 0x4A


class AckCode(IntEnum):
    """Result of a command; 0 is success, the rest are error replies."""

    OK = 0
    UNKNOWN_COMMAND = 1
    BAD_LENGTH = 2
    BAD_VALUE = 3
    BUSY = 4
    SETTINGS_FAULT = 5
    TOO_MANY = 6


class Cue(IntEnum):
    """Patterns of the pod's buzzer and light."""

    SILENT = 0
    HOLD_STILL = 1
    TAKEN = 2
    MOVE_ON = 3
    GO_BACK = 4
    FINISHED = 5
    TROUBLE = 6
    LINK_LOST = 7
    LINK_BACK = 8


@dataclass(frozen=True, slots=True)
class Channel:
    """One row of the hello's channel table.

    Attributes
    ----------
    axes : int
        Readings in each sample: 3 for accelerometer and gyro, else 1.
    bits : int
        Significant bits of one raw reading, sign included. The bytes each axis takes in a
        sample frame follow from it and the averaging: see `sample_width`.
    scale, offset : float
        value = offset + scale * (sum / averaging), in the unit of the kind.
    full_scale : float
        Largest magnitude that can be read, in the unit of the kind.
    noise_density : float
        Typical noise from the data sheet, unit per sqrt(Hz); 0 if not stated.
    """

    kind: ChannelKind
    sensor: Sensor
    axes: int
    bits: int
    scale: float
    offset: float
    full_scale: float
    noise_density: float


class Hello(NamedTuple):
    """What the pod is. Sent at boot, each second while idle, and on request."""

    protocol: int
    hardware: str
    firmware: tuple[int, int, int]
    identity: bytes
    """Eight bytes; all zero until the host has written one."""
    name: str
    reset_cause: ResetCause
    streaming: bool
    tick_hz: int
    raw_period_ticks: int
    """Ticks from one raw reading to the next."""
    averaging: int
    least_averaging: int
    """The smallest averaging that the line's baud rate carries without loss."""
    channels: tuple[Channel, ...]


class SampleBatch(NamedTuple):
    """Consecutive samples as raw sums; `channels` of the hello says how to read them."""

    sequence: int
    """Counts sample frames, 16 bit, wrapping."""
    tick: int
    """Tick at which the first raw reading of the first sample started."""
    averaging: int
    samples: int
    payload: bytes
    """samples x (all axes of all channels, in the hello's order), little-endian signed sums."""


class Status(NamedTuple):
    """Counters since boot, and faults standing now."""

    tick: int
    dropped: int
    """Samples the pod took but could not send."""
    overruns: int
    """Readings that started late or not at all."""
    bus_errors: int
    bad_frames: int
    """Frames from the host that the pod could not read."""
    faults: int
    """Bit set, see docs/protocol.md."""


class Fault(NamedTuple):
    """A fault that has come or gone."""

    tick: int
    code: int
    channel: int
    present: bool


class Ack(NamedTuple):
    """Reply to a command that has no reply of its own, or an error reply to any."""

    token: int
    command: int
    code: int


class SettingsData(NamedTuple):
    """Reply to SETTINGS_READ: a piece of the settings record."""

    token: int
    offset: int
    data: bytes


class ClockReply(NamedTuple):
    """Reply to CLOCK: the pod's tick when the command was read."""

    token: int
    tick: int


class SelfTestReply(NamedTuple):
    """Reply to SELF_TEST: for each channel of the hello 0 for good or a fault code."""

    token: int
    verdicts: tuple[int, ...]


class Button(NamedTuple):
    """The pod's button was pressed (or released)."""

    tick: int
    pressed: bool


class TextHeader(NamedTuple):
    """A header line of the text format."""

    columns: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    """`# key=value` lines seen so far."""


class TextSample(NamedTuple):
    """A sample line of the text format, in the order of the last header's columns."""

    values: tuple[float, ...]


class Unknown(NamedTuple):
    """A good frame of a type this version does not know: skipped, counted."""

    frame_type: int
    payload: bytes


Message = (
    Hello
    | SampleBatch
    | Status
    | Fault
    | Ack
    | SettingsData
    | ClockReply
    | SelfTestReply
    | Button
    | TextHeader
    | TextSample
    | Unknown
)


class HostCommand(NamedTuple):
    """A command as the pod sees it."""

    command: int
    token: int
    payload: bytes


def sample_width(bits: int, averaging: int) -> int:
    """Return the bytes one axis takes in a sample frame: 2, 3 or 4.

    The sum of `averaging` readings of `bits` bits needs bits + ceil(log2(averaging)) bits;
    the smallest of 2, 3, 4 bytes that holds it is used.

    Raises
    ------
    ValueError
        If the sum does not fit four bytes.
    """
    needed = bits + (averaging - 1).bit_length()
    if needed > 32:
        raise ValueError(f"{bits} bits summed {averaging} times do not fit 32 bits")
    return 2 if needed <= 16 else 3 if needed <= 24 else 4
