"""The typed messages of the wire. Encoding and decoding are in `codec`; bytes in docs/protocol.md.

Times on the wire are pod ticks (unsigned 32 bit, wrapping); `Hello.tick_hz` gives their rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final, NamedTuple

PROTOCOL: Final = 1
"""The version of the wire that this program speaks."""


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


class FrameType(IntEnum):
    """Frame types from pod to host, 0x01 to 0x3F."""

    HELLO = 0x01
    SAMPLES = 0x02
    STATUS = 0x03
    FAULT = 0x04
    ACK = 0x05
    SETTINGS_DATA = 0x06
    CLOCK_REPLY = 0x07
    SELF_TEST_REPLY = 0x08
    BUTTON = 0x09
    SAMPLES_PARTIAL = 0x0A
    """Samples without the channels whose sensors are away."""


class Command(IntEnum):
    """Frame types from host to pod, 0x41 to 0x7F."""

    HELLO = 0x41
    """Answered with a hello, then an ack."""
    START = 0x42
    STOP = 0x43
    SET_RATE = 0x44
    """Answered with a hello that tells the averaging in force, then an ack."""
    SETTINGS_READ = 0x45
    SETTINGS_WRITE = 0x46
    CLOCK = 0x47
    CUE = 0x48
    SELF_TEST = 0x49
    STATUS = 0x4A
    """Answered with a status, then an ack."""


class AckCode(IntEnum):
    """Result of a command; 0 is success, the rest are error replies."""

    OK = 0
    UNKNOWN_COMMAND = 1
    BAD_LENGTH = 2
    BAD_VALUE = 3
    BUSY = 4
    SETTINGS_FAULT = 5
    TOO_MANY = 6


class FaultCode(IntEnum):
    """What is wrong; bit `1 << code` of `Status.faults` while it stands."""

    NONE = 0
    SENSOR_MISSING = 1
    """The channel's sensor does not answer."""
    SENSOR_STUCK = 2
    """The same raw reading far longer than noise allows."""
    SENSOR_RANGE = 3
    """Readings at the end of the range."""
    BUS = 4
    """The sensor bus had to be recovered."""
    OVERRUN = 5
    """Readings started late or were left out."""
    DROPPED = 6
    """Samples could not be sent."""
    SETTINGS = 7
    """The settings record is blank or damaged; defaults are in force."""
    SUPPLY_LOW = 8
    CLOCK = 9
    SELF_TEST = 10
    SENSOR_IDENTITY = 11
    """Another part answers at the sensor's address."""


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
    kind : ChannelKind or int
        A plain number where this version does not know the kind: its bytes are passed over.
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

    kind: ChannelKind | int
    sensor: Sensor
    axes: int
    bits: int
    scale: float
    offset: float
    full_scale: float
    noise_density: float


class Hello(NamedTuple):
    """What the pod is. Sent at boot, each second while idle, each 5 s while streaming, and
    on request. Of a pod whose `protocol` is newer than `PROTOCOL` only the first five fields
    and `streaming` are read; the rest is empty.
    """

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
    """Counts sample frames since boot, 16 bit, wrapping."""
    tick: int
    """Tick at which the first raw reading of the first sample started."""
    averaging: int
    samples: int
    payload: bytes
    """samples x (all axes of the channels sent, in the hello's order), signed little-endian."""
    mask: int | None = None
    """Bit i: row i of the channel table was sent. None: all rows (SAMPLES)."""


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
    """Row of the hello's channel table, or 255 for the pod itself."""
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
    """Those with a meaning here, in the line's order; others are left out of the samples."""
    facts: tuple[tuple[str, str], ...]
    """`# key=value` lines seen so far."""
    ignored: tuple[str, ...] = ()
    """Columns without a meaning here."""


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
