"""Can the linear sensor tell the steer angle? What it read at the rests, checked and in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from knuckle.analysis.positions import SMALLEST_SWEEP_DEG
from knuckle.errors import MeasurementRefused
from knuckle.estimate.linear_steer import LinearReadings, LinearSteer
from knuckle.geometry.linkage import change_in_plan, moment_arm
from knuckle.model.block import FloatArray
from knuckle.model.rest import Rest
from knuckle.model.result import Notice

LEAST_MOMENT: Final = 0.25
"""Least distance of the axis from the wire's line, over the lever: nearer to dead centre the length
bends too much with heading for what its uncertainty is computed from."""

STUCK_SHARE: Final = 0.1
"""A sensor that moved by less of what the smallest sweep asks for did not move."""

LARGEST_GRID_DEG: Final = 60.0
GEOMETRY_SIGMAS: Final = 4.0


@dataclass(frozen=True)
class LinearSource:
    """A linear sensor that is laid to the wheel, with its readings at each rest."""

    steer: LinearSteer
    readings: LinearReadings

    def headings_rad(self, straight: list[int] | None) -> FloatArray:
        """Return each rest's change of heading by the figures as given; NaN without reading.

        Parameters
        ----------
        straight : list of int or None
            The rests at straight ahead; None takes the middle reading, as a first guess.

        Raises
        ------
        MeasurementRefused
            LINEAR_DEAD_CENTRE or LINEAR_GEOMETRY.
        """
        known = [i for i in (straight or []) if self.readings.present[i]]
        raw = self.readings.raw_mm
        read = raw[self.readings.present]
        datum_mm = float(np.mean(raw[known])) if known else float(np.median(read))
        grid, length = monotone(self.steer, datum_mm)
        longer_mm = self.steer.gain * (read - datum_mm)
        beyond_mm = np.maximum(longer_mm - length.max(), length.min() - longer_mm)
        worst = int(np.argmax(beyond_mm))
        if known and beyond_mm[worst] > 0.0:
            self._refuse_beyond(float(longer_mm[worst]), float(beyond_mm[worst]), grid)
        order = np.argsort(length)
        found = np.full(raw.shape, np.nan)
        found[self.readings.present] = np.interp(longer_mm, length[order], grid[order])
        return found

    def check_moment(self, heading_rad: FloatArray, straight: list[int]) -> None:
        """Refuse a linkage near dead centre at one of the rests with a reading.

        Raises
        ------
        MeasurementRefused
            LINEAR_DEAD_CENTRE.
        """
        datum_mm = float(np.nanmean(self.readings.raw_mm[straight]))
        shape = self.steer.shape(self.steer.reach_at(datum_mm).value)
        at = heading_rad[self.readings.present]
        arm = moment_arm(self.steer.kind, shape, self.steer.longer_left, at)
        worst = int(np.argmin(arm))
        if arm[worst] < LEAST_MOMENT * self.steer.lever_mm.value:
            raise _dead_centre(self.steer, float(np.degrees(at[worst])), float(arm[worst]))

    def _refuse_beyond(self, longer_mm: float, beyond_mm: float, grid: FloatArray) -> None:
        """Refuse a length that no heading has: past dead centre, or by wrong figures."""
        past = float(np.degrees(grid[-1] - grid[0])) < 2.0 * LARGEST_GRID_DEG - 0.1
        lever = self.steer.lever_mm
        share = np.hypot(lever.standard_uncertainty / lever.value, self.steer.gain_u)
        if not past and beyond_mm <= GEOMETRY_SIGMAS * share * abs(longer_mm):
            return
        raise _trouble(
            "LINEAR_DEAD_CENTRE" if past else "LINEAR_GEOMETRY",
            f"The linear sensor's length changed by {longer_mm:+.1f} mm from straight ahead, which "
            "its linkage, as given, cannot do"
            + (" without coming too near dead centre." if past else "."),
        )


def is_of_linear(refusal: MeasurementRefused) -> bool:
    """Return whether a linear sensor that cannot serve is the reason."""
    return refusal.code in _ADVICE


def monotone(steer: LinearSteer, datum_mm: float) -> tuple[FloatArray, FloatArray]:
    """Return headings about straight ahead up to dead centre, and the changes of length there.

    Parameters
    ----------
    steer : LinearSteer
    datum_mm : float
        What the pod sends at straight ahead.

    Returns
    -------
    heading_rad, longer_mm : ndarray, shape (n,)
        Headings grow; so do the lengths, or they fall.

    Raises
    ------
    MeasurementRefused
        LINEAR_DEAD_CENTRE, if straight ahead itself is near it.
    """
    shape = steer.shape(steer.reach_at(datum_mm).value)
    grid = np.radians(np.arange(-LARGEST_GRID_DEG, LARGEST_GRID_DEG + 0.05, 0.1))
    arm = moment_arm(steer.kind, shape, steer.longer_left, grid)
    middle = grid.size // 2
    bad = np.flatnonzero(~(arm > LEAST_MOMENT * steer.lever_mm.value))
    if middle in bad:
        raise _dead_centre(steer, 0.0, float(arm[middle]))
    first = int(max(bad[bad < middle], default=-1)) + 1
    end = int(min(bad[bad > middle], default=grid.size))
    grid = grid[first:end]
    return grid, change_in_plan(steer.kind, shape, steer.longer_left, grid)


def _dead_centre(steer: LinearSteer, heading_deg: float, arm_mm: float) -> MeasurementRefused:
    return _trouble(
        "LINEAR_DEAD_CENTRE",
        f"At {heading_deg:.0f} deg of steer the linear sensor's line passes the steering axis at "
        f"{max(arm_mm, 0.0):.0f} mm, its lever being {steer.lever_mm.value:.0f} mm: the length "
        "hardly tells the angle there, and beyond dead centre two angles have one length.",
    )


def _trouble(code: str, what: str) -> MeasurementRefused:
    cause, next_step = _ADVICE[code]
    return MeasurementRefused(code, what, cause, next_step)


_ADVICE: Final = {
    "LINEAR_ABSENT": (
        "No linear sensor is fitted or found, or the log has no such column.",
        "See the channels with `knuckle pods`, or leave --linear out.",
    ),
    "LINEAR_CHANNEL": (
        "Each has its own linkage and calibration.",
        "Say which with --linear-channel.",
    ),
    "LINEAR_MISSING": (
        "Its cable is loose, its battery flat, or it was off for a while.",
        "Check it with `knuckle watch`, and sweep again.",
    ),
    "LINEAR_STUCK": (
        "It is not hooked up, its plug is loose, or it stands at its end.",
        "Move it by hand and look with `knuckle watch`; then sweep again.",
    ),
    "LINEAR_DEAD_CENTRE": (
        "The wire or rod points too nearly at the steering axis at straight ahead or at a lock.",
        "Set it up square to its lever at straight ahead.",
    ),
    "LINEAR_GEOMETRY": (
        "A figure is wrong: lever, distance, calibration, or the side on which it gets longer.",
        "Measure the linkage again.",
    ),
}


def linear_source(
    rests: list[Rest | None], steer: LinearSteer
) -> tuple[LinearSource, list[Notice]]:
    """Return the readings of the linear sensor, and what must be said of them.

    Parameters
    ----------
    rests : list of (Rest or None)
        One a reading; None for moments of a slow move, which have no reading of length.
    steer : LinearSteer

    Raises
    ------
    MeasurementRefused
        LINEAR_ABSENT, LINEAR_CHANNEL, LINEAR_MISSING, LINEAR_STUCK or LINEAR_GEOMETRY.
    """
    channel = _channel(rests, steer)
    raw, noise = np.full(len(rests), np.nan), np.full(len(rests), np.nan)
    for i, rest in enumerate(rests):
        if rest is None or rest.linear_mm is None or rest.linear_cov_mm2 is None:
            continue
        raw[i] = rest.linear_mm[channel]
        noise[i] = np.sqrt(rest.linear_cov_mm2[channel, channel])
    raw[~np.isfinite(noise)] = np.nan
    source = LinearSource(steer, LinearReadings(raw, noise))
    notices = _missing(source, sum(rest is not None for rest in rests))
    _check_moved(source)
    return source, notices + _calibration_notices(source)


def _channel(rests: list[Rest | None], steer: LinearSteer) -> int:
    counts = {0 if r.linear_mm is None else r.linear_mm.size for r in rests if r is not None}
    count = max(counts, default=0)
    if not count:
        raise _trouble("LINEAR_ABSENT", "The readings hold no linear channel.")
    if steer.channel is None and count > 1:
        raise _trouble(
            "LINEAR_CHANNEL", f"The readings hold {count} linear channels, and none was named."
        )
    channel = steer.channel or 1
    if channel > count:
        raise _trouble(
            "LINEAR_ABSENT", f"There is no linear channel {channel}; the readings hold {count}."
        )
    return channel - 1


def _missing(source: LinearSource, count: int) -> list[Notice]:
    found = int(np.count_nonzero(source.readings.present))
    if found < 3:
        raise _trouble(
            "LINEAR_MISSING", f"The linear sensor gave a reading at {found} of {count} rests."
        )
    if found == count:
        return []
    return [
        Notice(
            "LINEAR_MISSING",
            f"The linear sensor gave no reading at {count - found} of {count} rests; none was "
            "invented.",
        )
    ]


def _check_moved(source: LinearSource) -> None:
    raw = source.readings.raw_mm[source.readings.present]
    steer = source.steer
    moved_mm = float(np.ptp(raw)) * abs(steer.gain)
    try:
        shape = steer.shape(steer.reach_at(float(np.median(raw))).value)
    except ValueError as error:
        raise _trouble("LINEAR_GEOMETRY", f"The linkage as given cannot be: {error}.") from error
    ends = np.radians([-SMALLEST_SWEEP_DEG, SMALLEST_SWEEP_DEG])
    asked_mm = float(np.ptp(change_in_plan(steer.kind, shape, steer.longer_left, ends)))
    if moved_mm < max(STUCK_SHARE * asked_mm, 3.0 * steer.own_mm):
        raise _trouble(
            "LINEAR_STUCK",
            f"The linear sensor moved by {moved_mm:.2f} mm between all rests.",
        )


def _calibration_notices(source: LinearSource) -> list[Notice]:
    calibration = source.steer.calibration
    if calibration is None:
        return [
            Notice(
                "LINEAR_UNCALIBRATED",
                "The linear sensor is not calibrated: its scale is taken as the pod sends it, with "
                f"{source.steer.gain_percent:g} % in the budget.",
            )
        ]
    raw = source.readings.raw_mm[source.readings.present]
    inside = calibration.length(raw).in_range
    if np.all(inside):
        return []
    low, high = calibration.valid_mm
    return [
        Notice(
            "LINEAR_OUT_OF_RANGE",
            f"The linear sensor read {np.min(raw):.1f} to {np.max(raw):.1f} mm, and was calibrated "
            f"from {low:.1f} to {high:.1f} mm only: beyond that its line is taken on trust.",
        )
    ]
