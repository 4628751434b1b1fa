"""How far a calibration may be trusted for a reading: its age, its temperature, its pod."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from knuckle.estimate.calibration import Calibration
from knuckle.model.result import Notice
from knuckle.run.calibration_json import turn_u_deg
from knuckle.run.calibrations import APPLIED, CALIBRATION, FILE, NONE, POD, STORE, Used, moment_of
from knuckle.run.events import PodSeen

OLD_DAYS: Final = 365.0
"""Common practice, no source."""
FAR_C: Final = 10.0
"""At the data sheet's drift (0.45 mg/C, MPU-6050) that is a quarter of a degree of camber."""
BEYOND_C: Final = 5.0
"""The same beyond the two temperatures between which the drift was measured."""
LOOSE_TURN_DEG: Final = 0.5
"""A chip whose turn in its case is known no better has had no face run."""


def age_days(calibration: Calibration, at: datetime) -> float | None:
    """Return how old a calibration is; None if it has no date."""
    made = moment_of(calibration.date)
    return None if made is None else (at - made).total_seconds() / 86400.0


def trust_notices(
    calibration: Calibration,
    *,
    identity: str,
    temp_c: float | None,
    at: datetime | None,
    named: bool = False,
) -> list[Notice]:
    """Return what is to be said of results by a calibration.

    Parameters
    ----------
    calibration : Calibration
    identity : str
        Of the pod that read; empty if not known.
    temp_c : float or None
        Of the readings.
    at : datetime or None
        When they were taken; None if not known.
    named : bool
        Whether the user named the calibration: then it may be another pod's.
    """
    notices = []
    days = None if at is None else age_days(calibration, at)
    if days is not None and days > OLD_DAYS:
        notices.append(
            Notice(
                "CALIBRATION_OLD",
                f"The calibration is {days:.0f} days old ({calibration.date[:10]}): calibrate "
                "again, or check the pod with a reversal.",
            )
        )
    if temp_c is None or calibration.temp_c is None:
        whose = "the readings" if temp_c is None else "the calibration"
        notices.append(
            Notice(
                "TEMPERATURE_UNKNOWN",
                f"The temperature of {whose} is not known: it is taken as within 10 C of "
                "the other, and the drift over that is in the budget.",
            )
        )
    elif far := _apart(calibration, temp_c):
        notices.append(Notice("CALIBRATION_TEMPERATURE", far))
    if named and not (identity and calibration.identity):
        notices.append(
            Notice(
                "CALIBRATION_POD_UNKNOWN",
                "Whether the calibration that was named is of this pod cannot be told: "
                + ("the pod" if not identity else "the calibration")
                + " has no identity.",
            )
        )
    x, _, z = turn_u_deg(calibration)
    if max(x, z) > LOOSE_TURN_DEG:
        notices.append(
            Notice(
                "NO_FACE_RUN",
                f"How the chip is turned in its case is known within {max(x, z):.1f} deg only: "
                "the calibration had no face run.",
            )
        )
    return notices


def _apart(calibration: Calibration, temp_c: float | None) -> str:
    assert temp_c is not None and calibration.temp_c is not None
    drift = calibration.drift
    if drift is None:
        if abs(temp_c - calibration.temp_c) <= FAR_C:
            return ""
        return (
            f"The pod was calibrated at {calibration.temp_c:.0f} C and is at {temp_c:.0f} C now: "
            "the drift between is the data sheet's guess. Calibrate once more at another "
            "temperature to measure it."
        )
    if drift.low_c - BEYOND_C <= temp_c <= drift.high_c + BEYOND_C:
        return ""
    return (
        f"The pod was calibrated between {drift.low_c:.0f} and {drift.high_c:.0f} C and is at "
        f"{temp_c:.0f} C now: its drift is carried on beyond."
    )


def word_of(seen: PodSeen) -> str:
    """Return what a text pod says of its readings: "applied" unless it says "none"."""
    return NONE if dict(seen.facts).get(CALIBRATION) == NONE else APPLIED


def said(used: Used, at: datetime | None) -> str:
    """Return in words which calibration is used, for the operator."""
    kept = used.calibration
    if kept is None:
        if used.source == APPLIED:
            return "The readings count as calibrated: the pod does not say '# calibration=none'."
        return "This pod is not calibrated: degrees, not tenths; `knuckle calibrate` cures that."
    days = None if at is None else age_days(kept, at)
    when = f" of {kept.date[:10]}" if kept.date else ""
    if days is not None:
        when += f" ({days:.0f} days old)" if days >= 1.0 else " (today)"
    where = {
        FILE: f"The calibration{when} that you named is used.",
        STORE: f"This pod's calibration {used.number}{when} is used, from the store.",
        POD: f"The calibration{when} that the pod keeps is used.",
    }
    return where.get(used.source, NONE)
