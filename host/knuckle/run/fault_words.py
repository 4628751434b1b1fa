"""A pod's faults in words: what is wrong, the likely cause, the next step."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Final, NamedTuple

from knuckle.wire.messages import Channel, ChannelKind, FaultCode, ResetCause, Sensor

WIDTH: Final = 79
POD_ITSELF: Final = 255
"""Channel of a fault that is the pod's own (docs/protocol.md)."""

PARTS: Final = {
    Sensor.MPU6050: "MPU-6050",
    Sensor.ADXL355: "ADXL355",
    Sensor.POTENTIOMETER: "potentiometer",
    Sensor.CALIPER: "caliper",
    Sensor.SIMULATED: "simulated sensor",
}
_ON_THE_BUS: Final = {Sensor.MPU6050, Sensor.ADXL355}


class FaultWords(NamedTuple):
    """A fault, for people.

    Attributes
    ----------
    short : str
        In two or three words.
    what, cause, next_step : str
        Sentences.
    """

    short: str
    what: str
    cause: str
    next_step: str

    @property
    def why(self) -> str:
        """What is wrong and its likely cause, in a breath."""
        return f"{self.what} {self.cause}"

    def lines(self) -> list[str]:
        """Return the lines that tell it."""
        return [
            line
            for text in (self.what, f"  cause: {self.cause}", f"  next:  {self.next_step}")
            for line in textwrap.wrap(text, WIDTH, subsequent_indent=" " * 9)
        ]


def part_of(row: Channel | None) -> str:
    """Return the name of the part behind a channel; ``sensor`` if it is not known."""
    return "sensor" if row is None else PARTS.get(row.sensor, "sensor")


def kind_of(row: Channel) -> str:
    """Return what a channel measures, in a word."""
    return row.kind.name.lower() if isinstance(row.kind, ChannelKind) else "another channel"


def fault_words(code: int, rows: Sequence[Channel]) -> FaultWords:
    """Return a fault in words.

    Parameters
    ----------
    code : int
        As the pod sends it.
    rows : sequence of Channel
        The channels that have it, all of one part; empty for the pod itself, or where it is
        not known which.
    """
    part = part_of(rows[0] if rows else None)
    its = ", ".join(kind_of(row) for row in rows)
    named = f"The {part}" + (f" ({its})" if rows and its != part else "")
    match code:
        case FaultCode.SENSOR_MISSING:
            return _missing(rows, part, named)
        case FaultCode.SENSOR_IDENTITY:
            return FaultWords(
                f"wrong part for {part}",
                f"Another part answers where the {part} should."
                if rows
                else "A part answers on the sensors' bus that is none of the pod's sensors.",
                "The board carries another chip than its print says, or a wire picks up noise.",
                "Compare the chip's own print with the parts list; shorten the wires; put in the "
                "right board.",
            )
        case FaultCode.SENSOR_STUCK:
            return FaultWords(
                f"{part} stuck",
                f"{named} repeats one reading far longer than its noise allows.",
                "The chip hangs, often after a dip of its supply or a spark.",
                "Unplug the pod for some seconds. If it comes back, replace the sensor board.",
            )
        case FaultCode.SENSOR_RANGE:
            return FaultWords(
                f"{part} at its end",
                f"{named} stands at the end of its range.",
                "A knock or a fast turn, as when it is carried or put down: that is no harm. If it "
                "stays with the pod still, a damaged sensor.",
                "Let the pod lie still. If it stays, unplug the pod for some seconds; if it "
                "comes back, replace the sensor board.",
            )
        case FaultCode.BUS:
            return FaultWords(
                "sensor bus disturbed",
                "The sensors' bus hangs or had to be freed.",
                "A loose wire of clock or data, wires too long, or missing pull-up resistors.",
                "Check the four wires of the bus and keep them short; then run `knuckle selftest`.",
            )
        case FaultCode.OVERRUN:
            return FaultWords(
                "readings late",
                "The pod reads its sensors late or leaves readings out.",
                "It is asked for more readings a second than it can make, or the bus is slow.",
                "Ask for fewer with --rate; if it stays, check the bus's wires.",
            )
        case FaultCode.DROPPED:
            return FaultWords(
                "samples dropped",
                "The pod throws samples away: the line does not carry them.",
                "The line is slower than the pod was told, or it is asked too much at once.",
                "Ask for fewer with --rate, or use a faster line.",
            )
        case FaultCode.SETTINGS:
            return FaultWords(
                "settings blank",
                "The pod's settings are blank or damaged; it goes by its defaults.",
                "It is new, or its power failed while they were written.",
                "A new pod gets its identity by itself; name and calibration must be written anew.",
            )
        case FaultCode.SUPPLY_LOW:
            return FaultWords(
                "supply low",
                "The pod's supply voltage is too low for good readings.",
                "A long or thin cable, a weak port, or an empty battery.",
                "Charge the battery, or use another port and a shorter cable.",
            )
        case FaultCode.CLOCK:
            return FaultWords(
                "clock doubtful",
                "The pod's clock is not the one that its program was made for.",
                "The board runs by another crystal or by its internal oscillator.",
                "Set the board's fuses as firmware/README.md says.",
            )
        case FaultCode.SELF_TEST:
            return FaultWords(
                f"{part} failed its test",
                f"{named} has failed its own self-test.",
                "The chip is damaged, or was moved during the test.",
                "Lay the pod down still and run `knuckle selftest`; if it fails again, replace it.",
            )
    return FaultWords(
        f"fault {code}",
        f"The pod reports fault {code}" + (f" of its {part}." if rows else "."),
        "Its firmware is newer than this program.",
        "Update the program.",
    )


def _missing(rows: Sequence[Channel], part: str, named: str) -> FaultWords:
    if not rows:
        return FaultWords(
            "sensor missing",
            "The pod finds one of its sensors no more, or finds none.",
            "A wire is loose or swapped, or the sensor has no supply.",
            "Check the four wires of the sensors' bus (supply, ground, clock, data).",
        )
    if rows[0].sensor is Sensor.CALIPER:
        return FaultWords(
            "caliper missing",
            "The caliper sends nothing.",
            "It is switched off, its cell is empty, or clock, data or ground is loose.",
            "Switch it on and check its cell and its three wires.",
        )
    if rows[0].sensor is Sensor.POTENTIOMETER:
        return FaultWords(
            "potentiometer missing",
            "The potentiometer is not connected.",
            "Its plug is out, or a wire is broken.",
            "Check its plug and its three wires.",
        )
    bus = rows[0].sensor in _ON_THE_BUS
    kinds = {row.kind for row in rows}
    gyro_alone = ChannelKind.GYRO in kinds and ChannelKind.ACCELEROMETER not in kinds
    return FaultWords(
        f"{part} missing",
        f"{named} does not answer any more.",
        "One of its four wires (supply, ground, clock, data) is loose."
        if bus
        else "A wire of it is loose.",
        "Check them: the pod tries again every second. "
        + (
            "Readings wait for it meanwhile; to go on without it, end this and start anew."
            if gyro_alone
            else "Its other sensors go on meanwhile."
        ),
    )


_RESTARTS: Final = {
    ResetCause.POWER_ON: "its power was away: check plug, cable and battery",
    ResetCause.EXTERNAL: "by its reset line, as opening the port does on many boards",
    ResetCause.BROWN_OUT: "its supply fell too low: check cable and battery",
    ResetCause.WATCHDOG: "its program hung and was restarted: if this repeats, check the sensors' "
    "wires and report it",
    ResetCause.COMMAND: "by software",
    ResetCause.UNKNOWN: "it does not say why",
}


def restart_words(cause: ResetCause) -> str:
    """Return why a pod has restarted, in words."""
    return _RESTARTS[cause]
