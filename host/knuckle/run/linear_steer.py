"""The calibration of a linear sensor in a sweep: named by the user, or the newest one kept."""

from __future__ import annotations

from dataclasses import replace

from knuckle.errors import UsageError
from knuckle.estimate.linear_steer import LinearSteer
from knuckle.geometry.linkage import LinkageKind
from knuckle.run.linear_calibrations import Library, check_same_channel


def with_kept(
    steer: LinearSteer | None, library: Library | None, identity: str
) -> LinearSteer | None:
    """Return the linkage with the calibration that its readings are computed by.

    Parameters
    ----------
    steer : LinearSteer or None
    library : callable or None
        The calibrations kept; not asked where the user names one, or says that there is none.
    identity : str
        The pod's.

    Raises
    ------
    UsageError
        If the calibration that was named is of another pod; or if a wire's length at straight
        ahead is neither given nor calibrated.
    """
    if steer is None:
        return None
    if steer.calibration is not None:
        check_same_channel(steer.calibration, identity, steer.calibration.channel)
    elif library is not None and not steer.uncalibrated:
        steer = replace(steer, calibration=library(identity, steer.channel or 1))
    if steer.kind is LinkageKind.WIRE and steer.reach_mm is None and steer.calibration is None:
        raise UsageError(
            "How long the wire is at straight ahead is not known.",
            "The linear sensor is not calibrated, so only changes of its length are known.",
            "Measure it from point to anchor and give it with --linear-distance, or run "
            "`knuckle linear calibrate` first.",
        )
    return steer
