"""Calibrations of linear channels from where they are kept: the store, or a JSON file."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from knuckle.errors import RecordingError, StoreError, UsageError
from knuckle.estimate.linear import FORMAT, LinearCalibration
from knuckle.estimate.linear_fit import caliper_as_sold
from knuckle.run.events import PodSeen
from knuckle.run.replay import stated_sensors
from knuckle.store.rows import CalibrationRow
from knuckle.wire.messages import ChannelKind

LINEAR_CALIBRATION: Final = "linear_calibration"
"""The name of the fact that tells by which calibration a run's lengths were computed."""

CALIPER: Final = "caliper"
POTENTIOMETER: Final = "potentiometer"
RESOLUTION_MM: Final = {CALIPER: 0.01, POTENTIOMETER: 100.0 / 1023.0}
"""Smallest step by kind of sensor: a caliper's count; one conversion of ten bits over the
nominal 100 mm, since without noise the sum of 16 sees no finer."""
USUAL_RESOLUTION_MM: Final = 0.01


Library = Callable[[str, int], LinearCalibration | None]
"""From a pod's identity and a channel to the newest calibration kept, or None."""


def newest(kept: Sequence[CalibrationRow], identity: str, channel: int) -> LinearCalibration | None:
    """Return the newest calibration of a pod's channel; None if there is none.

    Parameters
    ----------
    kept : sequence of CalibrationRow
        Newest first, other kinds among them.
    identity : str
        Empty if not known: then no kept one is this pod's.

    Raises
    ------
    StoreError
        If it cannot be read.
    """
    if not identity:
        return None
    for row in kept:
        record = row.record
        if record.get("format") != FORMAT or row.identity != identity:
            continue
        if record.get("channel") == channel:
            return of_record(record)
    return None


def telling(library: Library, say: Callable[[str], None]) -> Library:
    """Return a library that says which calibration it gives, once each.

    The pod cannot tell one sensor in its plug from another, so whoever measures must see by
    which lengths it was calibrated, and when.

    Parameters
    ----------
    library : callable
    say : callable
        Takes the line.
    """
    told: set[str] = set()

    def find(identity: str, channel: int) -> LinearCalibration | None:
        found = library(identity, channel)
        if found is not None:
            low_mm, high_mm = sorted(found.gain * mm + found.offset_mm for mm in found.valid_mm)
            line = (
                f"Linear channel {channel}: the store's calibration of {found.date[:10]}, "
                f"{low_mm:.0f} to {high_mm:.0f} mm."
            )
            if line not in told:
                told.add(line)
                say(line)
        return found

    return find


def of_record(record: Any) -> LinearCalibration:
    """Return a calibration as the store keeps it.

    Raises
    ------
    StoreError
        If it cannot be read.
    """
    try:
        return LinearCalibration.from_json(record)
    except ValueError as error:
        raise StoreError(
            f"A calibration in the store cannot be read: {error}.",
            "The store is damaged, or was changed or written by another version.",
            "Calibrate again with `knuckle linear calibrate`.",
        ) from error


def read_linear_file(path: Path) -> LinearCalibration:
    """Read a calibration file of a linear channel.

    Raises
    ------
    RecordingError
        If it is missing, no such file, of another version, or in other units.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        return LinearCalibration.from_json(content)
    except OSError as error:
        raise RecordingError(
            f"The calibration file {path} cannot be read: {error.strerror or error}.",
            "",
            "Check the name given with --linear-calibration.",
        ) from error
    except (ValueError, RecursionError) as error:
        raise RecordingError(
            f"{path} is not a calibration file of a linear sensor: {error}.",
            "It is another file, or was changed by hand.",
            "Give a file that `knuckle linear calibrate --out FILE` wrote.",
        ) from error


def check_same_channel(calibration: LinearCalibration, identity: str, channel: int) -> None:
    """Refuse a calibration of another pod, or of another channel.

    Raises
    ------
    UsageError
        If the pods differ, where both are known, or the channels do.
    """
    if calibration.identity and identity and calibration.identity != identity:
        raise UsageError(
            f"The calibration is of pod {calibration.identity}, the readings of {identity}.",
            "Each sensor has a scale of its own.",
            "Name this pod's calibration, or leave --linear-calibration out.",
        )
    if calibration.channel != channel:
        raise UsageError(
            f"The calibration is of linear channel {calibration.channel}, not of {channel}.",
            "Each sensor has a scale of its own.",
            "Name that channel's calibration, or the other channel with --channel.",
        )


def chosen(
    given: LinearCalibration | None, library: Library, identity: str, channel: int, sensor: str
) -> tuple[LinearCalibration, str]:
    """Return the calibration to use, and where it comes from: "file", "store" or "as sold".

    Parameters
    ----------
    given : LinearCalibration or None
        Named by the user: before all others.
    library : callable
        Those kept.
    identity : str
        The pod's; empty if not known.
    channel : int
    sensor : str
        What the channel is, by the pod's hello; empty if not known.

    Raises
    ------
    UsageError
        If there is none, and the sensor is nothing without; or it is another one's.
    """
    if given is not None:
        check_same_channel(given, identity, channel)
        return given, "file"
    kept = library(identity, channel)
    if kept is not None:
        return kept, "store"
    if sensor.split(" ", maxsplit=1)[0] == CALIPER:
        return caliper_as_sold(channel, identity), "as sold"
    raise UsageError(
        f"Linear channel {channel} of this pod is not calibrated"
        + (f" (pod {identity})." if identity else ", and the pod has no identity."),
        "How many millimetres it really moves is not known; a calibration of another pod does "
        "not serve.",
        "Run `knuckle linear calibrate` with known lengths first, or name a file with "
        "--linear-calibration.",
    )


def sensor_names(seen: PodSeen) -> tuple[str, ...]:
    """Return what each linear channel is: by the pod's hello, or by a text pod's facts."""
    if seen.hello is None:
        return stated_sensors(dict(seen.facts))
    rows = [row for row in seen.hello.channels if row.kind == ChannelKind.LINEAR]
    return tuple(getattr(row.sensor, "name", "unknown").lower() for row in rows)


def which_channel(given: int | None, names: Sequence[str]) -> int:
    """Return the linear channel that is meant: as named, or the only one.

    Parameters
    ----------
    given : int or None
        From 1.
    names : sequence of str
        What the channels are; empty if not known.

    Raises
    ------
    UsageError
        If there are several and none is named.
    """
    if given is not None:
        return given
    if len(names) > 1:
        listed = ", ".join(f"{number} {name}" for number, name in enumerate(names, start=1))
        raise UsageError(
            f"There are {len(names)} linear channels: {listed}.",
            "",
            "Say which by its number: --channel of `knuckle linear`, else --linear-channel.",
        )
    return 1


def sensor_of(names: Sequence[str], channel: int) -> str:
    """Return the kind of a channel's sensor; empty if not known."""
    return names[channel - 1].split(" ")[0] if channel <= len(names) else ""


def resolution_mm(given: float | None, sensor: str) -> float:
    """Return the smallest step of a reading: as stated, or the sensor's usual one."""
    return RESOLUTION_MM.get(sensor, USUAL_RESOLUTION_MM) if given is None else given
