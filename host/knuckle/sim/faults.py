"""Faults that can be switched on. Times are in seconds since the script's start."""

# ruff: noqa: RUF009  `key` returns a dataclasses.field
from __future__ import annotations

from dataclasses import dataclass

from knuckle.sim.fields import key

_ON = "Switches the fault on."


@dataclass(frozen=True, slots=True)
class Knocks:
    """Doors, footsteps: short shakes of the wheel."""

    on: bool = key(False, _ON)
    times_s: tuple[float, ...] = key((), "When; empty: one in `share` of the holds.", low=0)
    share: float = key(0.6, "Share of holds with a knock, at a drawn moment.", low=0, high=1)
    amplitude_g: float = key(0.15, "Peak of the shake.", low=0, high=10)
    swing_deg: float = key(0.03, "Peak of the wheel's swing.", low=0, high=5)
    frequency_hz: float = key(16.0, "Of the shake.", low=1, high=200)
    decay_s: float = key(0.07, "Time in which it falls to a third.", low=0.01, high=2)


@dataclass(frozen=True, slots=True)
class Drifting:
    """The steering creeps during holds."""

    on: bool = key(False, _ON)
    stops: tuple[int, ...] = key((2,), "At which stops, counted from 1.", low=1, high=1000)
    rate_dps: float = key(0.3, "Speed of the creep, towards straight.", low=-5, high=5)


@dataclass(frozen=True, slots=True)
class BrakeFree:
    """The brake is not held: the wheel rolls as it is steered."""

    on: bool = key(False, _ON)
    by_scrub: float = key(1.0, "Share of the roll that scrub over radius gives.", low=-2, high=5)
    sigma_deg: float = key(2.0, "Further roll at each stop, drawn.", low=0, high=90)


@dataclass(frozen=True, slots=True)
class Slip:
    """The mount slips on the wheel, once."""

    on: bool = key(False, _ON)
    at_s: float = key(7.0, "When.", low=0)
    tilt_deg: float = key(0.4, "Turn about pod X.", low=-30, high=30)
    pitch_deg: float = key(0.8, "Turn about pod Y.", low=-90, high=90)
    length_s: float = key(0.15, "How long it takes.", low=0.01, high=10)


@dataclass(frozen=True, slots=True)
class Restart:
    """The pod restarts: ticks from zero, a new hello, cause watchdog."""

    on: bool = key(False, _ON)
    at_s: float = key(12.0, "When.", low=0)
    silent_s: float = key(1.2, "Silence until the hello.", low=0.05, high=60)


@dataclass(frozen=True, slots=True)
class Gap:
    """The pod misses readings for a while; ticks and sequence tell."""

    on: bool = key(False, _ON)
    at_s: float = key(9.0, "When.", low=0)
    length_s: float = key(0.12, "How long.", low=0.001, high=60)


@dataclass(frozen=True, slots=True)
class Clipping:
    """The accelerometer cannot read as far as it should."""

    on: bool = key(False, _ON)
    limit_g: float = key(0.97, "Where it stops.", low=0.05, high=32)


@dataclass(frozen=True, slots=True)
class TickWrap:
    """The tick counter wraps soon after boot."""

    on: bool = key(False, _ON)
    after_s: float = key(8.0, "When, after boot.", low=0.1, high=10000)


@dataclass(frozen=True, slots=True)
class Line:
    """The line delays, batches and damages bytes."""

    on: bool = key(False, _ON)
    delay_s: float = key(0.03, "Every byte.", low=0, high=5)
    jitter_s: float = key(0.04, "Drawn on top for each delivery, order kept.", low=0, high=5)
    batch_s: float = key(0.1, "Bytes are delivered in batches this far apart.", low=0, high=5)
    flipped_per_byte: float = key(
        0.00005, "Chance that one bit of a byte is flipped.", low=0, high=0.5
    )
    lost_per_byte: float = key(0.00003, "Chance that a byte is lost.", low=0, high=0.5)


@dataclass(frozen=True, slots=True)
class Disconnect:
    """The link is gone for a time."""

    on: bool = key(False, _ON)
    at_s: float = key(10.0, "When.", low=0)
    length_s: float = key(3.0, "For how long.", low=0.1, high=600)
    power_lost: bool = key(False, "Whether the pod restarts with it.")


@dataclass(frozen=True, slots=True)
class LinearStuck:
    """The linear sensor's reading no longer moves."""

    on: bool = key(False, _ON)
    at_s: float = key(0.0, "From when on.", low=0)
    reading_mm: float = key(37.0, "What the pod sends from then on.", low=-400, high=400)


@dataclass(frozen=True, slots=True)
class LinearOpen:
    """The potentiometer's wiper is open: the input follows its pull-up to the end."""

    on: bool = key(False, _ON)
    at_s: float = key(0.0, "From when on.", low=0)
    length_s: float = key(1000.0, "How long.", low=0.01)


@dataclass(frozen=True, slots=True)
class LinearMissing:
    """The linear sensor does not answer: the pod says so and leaves its readings out."""

    on: bool = key(False, _ON)
    at_s: float = key(9.0, "When.", low=0)
    length_s: float = key(3.0, "How long.", low=0.01)


_CHIPS = ("accelerometer", "gyro")


@dataclass(frozen=True, slots=True)
class SensorMissing:
    """A chip does not answer: its readings are left out, or it is not in the table at all."""

    on: bool = key(False, _ON)
    part: str = key("accelerometer", "Which chip, by what it measures.", choices=_CHIPS)
    at_boot: bool = key(False, "Away from the start: not in the pod's table.")
    at_s: float = key(9.0, "When, unless at boot.", low=0)
    length_s: float = key(3.0, "How long, unless at boot.", low=0.01)


@dataclass(frozen=True, slots=True)
class WrongPart:
    """Another part answers where the accelerometer should."""

    on: bool = key(False, _ON)


@dataclass(frozen=True, slots=True)
class SensorStuck:
    """The accelerometer repeats one reading."""

    on: bool = key(False, _ON)
    at_s: float = key(2.0, "From when on.", low=0)


@dataclass(frozen=True, slots=True)
class SensorNoisy:
    """The accelerometer is far noisier than its data sheet."""

    on: bool = key(False, _ON)
    noise_g: float = key(0.03, "Added to each reading, rms.", low=0, high=2)


@dataclass(frozen=True, slots=True)
class SelfTestFails:
    """A chip fails its own self-test."""

    on: bool = key(False, _ON)
    part: str = key("accelerometer", "Which chip, by what it measures.", choices=_CHIPS)


@dataclass(frozen=True, slots=True)
class SupplyLow:
    """The supply voltage is low."""

    on: bool = key(False, _ON)
    at_s: float = key(0.0, "When; 0 is from the pod's start.", low=0)
    length_s: float = key(1000.0, "How long.", low=0.01)


@dataclass(frozen=True, slots=True)
class SettingsLost:
    """The pod's settings are damaged: defaults are in force."""

    on: bool = key(False, _ON)


@dataclass(frozen=True, slots=True)
class BusDisturbed:
    """Transfers on the sensors' bus fail now and then."""

    on: bool = key(False, _ON)
    at_s: float = key(2.0, "From when on.", low=0)
    every_s: float = key(0.7, "From one to the next.", low=0.01, high=1000)


@dataclass(frozen=True, slots=True)
class Dropped:
    """The pod has no room for samples and throws them away."""

    on: bool = key(False, _ON)
    at_s: float = key(3.0, "When.", low=0)
    length_s: float = key(0.2, "How long.", low=0.001, high=60)


@dataclass(frozen=True, slots=True)
class UnsteadyTicks:
    """Readings do not start when their ticks say."""

    on: bool = key(False, _ON)
    sigma_us: float = key(200.0, "Scatter of each frame's tick.", low=0, high=4000)


@dataclass(frozen=True, slots=True)
class Faults:
    """All faults; each is off unless switched on."""

    knocks: Knocks = key(Knocks, "Doors and footsteps.")
    drifting: Drifting = key(Drifting, "Steering creeps during a hold.")
    brake_free: BrakeFree = key(BrakeFree, "Wheel rolls while steered.")
    slip: Slip = key(Slip, "Mount slips.")
    restart: Restart = key(Restart, "Pod restarts.")
    gap: Gap = key(Gap, "Pod misses readings.")
    clipping: Clipping = key(Clipping, "Accelerometer at its end.")
    tick_wrap: TickWrap = key(TickWrap, "Tick counter wraps.")
    line: Line = key(Line, "Delays, batches, damaged bytes.")
    disconnect: Disconnect = key(Disconnect, "Link gone for a time.")
    linear_stuck: LinearStuck = key(LinearStuck, "Linear reading stuck.")
    linear_open: LinearOpen = key(LinearOpen, "Potentiometer's wiper open.")
    linear_missing: LinearMissing = key(LinearMissing, "Linear sensor away.")
    sensor_missing: SensorMissing = key(SensorMissing, "A chip away.")
    wrong_part: WrongPart = key(WrongPart, "Another part answers.")
    sensor_stuck: SensorStuck = key(SensorStuck, "Accelerometer stuck.")
    sensor_noisy: SensorNoisy = key(SensorNoisy, "Accelerometer noisy.")
    self_test_fails: SelfTestFails = key(SelfTestFails, "Self-test failed.")
    supply_low: SupplyLow = key(SupplyLow, "Supply low.")
    settings_lost: SettingsLost = key(SettingsLost, "Settings damaged.")
    bus_disturbed: BusDisturbed = key(BusDisturbed, "Bus disturbed.")
    dropped: Dropped = key(Dropped, "Samples dropped.")
    unsteady_ticks: UnsteadyTicks = key(UnsteadyTicks, "Ticks unsteady.")
