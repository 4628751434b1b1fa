"""What is told of a calibration: its figures, warnings, and why there is none."""

from __future__ import annotations

from typing import Final

from knuckle.calibrate.results import AccelerometerFit, FaceFit, FitState, GyroFit
from knuckle.calibrate.support import student_factor
from knuckle.model.result import Notice, Outcome
from knuckle.run.calibration_json import Made
from knuckle.run.pose_progress import unsettled_words

MOST_FREEDOM: Final = 1e6
"""Told where the data sheet's share, which counts as known exactly, is nearly all."""


def outcome_of(
    fit: AccelerometerFit,
    face: FaceFit | None,
    gyro: GyroFit | None,
    made: Made | None,
    drops: int,
) -> Outcome:
    """Return the outcome of a calibration: refused where the poses settle not every parameter.

    Parameters
    ----------
    fit : AccelerometerFit
    face : FaceFit or None
    gyro : GyroFit or None
    made : Made or None
        None where it is refused.
    drops : int
        How often the pod was knocked beyond its range.
    """
    refused = None
    if made is None:
        refused = Notice(
            "ILL_CONDITIONED",
            f"This is no calibration, and none is kept. {_why_none(fit, face)}",
        )
    return Outcome(
        "calibrate",
        "",
        {},
        warnings=tuple(_warnings(fit, face, gyro, drops)),
        refused=refused,
        details=_details(fit, face, gyro, made),
    )


def _why_none(fit: AccelerometerFit, face: FaceFit | None) -> str:
    if face is None or not fit.is_calibration:
        return unsettled_words(fit)
    return f"With the face run {face.state_reason}: make both anew."


def _warnings(
    fit: AccelerometerFit, face: FaceFit | None, gyro: GyroFit | None, drops: int
) -> list[Notice]:
    notices = [
        Notice("POSE_LEFT_OUT", f"Pose {number} does not fit the others: {one.reason}.")
        for number, one in enumerate(fit.residuals, start=1)
        if not one.used
    ]
    if fit.state is FitState.COARSE:
        notices.append(Notice("MORE_POSES_HELP", unsettled_words(fit)))
    if face is None:
        notices.append(
            Notice(
                "NO_FACE_RUN",
                "Without a face run the turn of the chip in its case stays open: 1.5 deg, one "
                "sigma, in every camber.",
            )
        )
    elif face.good and fit.is_calibration and not face.is_calibration:
        notices.append(
            Notice(
                "FACE_RUN_UNSURE",
                "The face run does not agree with the poses and is not used: with it, "
                f"{face.state_reason}. The turn of the chip in its case stays open: 1.5 deg, one "
                "sigma, in every camber.",
            )
        )
    elif not face.good:
        notices.append(
            Notice(
                "FACE_RUN_UNSURE",
                f"The face run is not used: {face.reason}. The turn of the chip in its case stays "
                "open: 1.5 deg, one sigma, in every camber.",
            )
        )
    if gyro is not None:
        if gyro.axes != ("+x", "+y", "+z"):
            notices.append(Notice("GYRO_AXES", f"The gyro's axes: {gyro.reason}."))
        elif not gyro.good:
            notices.append(Notice("GYRO_UNSETTLED", f"The gyro is not calibrated: {gyro.reason}."))
    if drops:
        notices.append(
            Notice(
                "POD_DROPPED",
                f"The pod was knocked beyond its range, {drops} time(s): its bias may have "
                "jumped in between.",
            )
        )
    return notices


def _details(
    fit: AccelerometerFit, face: FaceFit | None, gyro: GyroFit | None, made: Made | None
) -> dict[str, float | str]:
    joint = face is not None and face.good and (face.is_calibration or not fit.is_calibration)
    best = face if joint and face is not None else fit
    camber_u_deg, freedom = fit.whole_camber_u_deg, fit.camber_degrees_of_freedom
    if joint and face is not None:
        camber_u_deg, freedom = face.camber_u_deg, face.degrees_of_freedom
    details: dict[str, float | str] = {
        "state": fit.state.value,
        "reason": fit.reason,
        "poses": float(len(fit.residuals)),
        "left_out": float(sum(not one.used for one in fit.residuals)),
        "scatter_mg": 1000.0 * fit.scatter_g,
        "degrees_of_freedom": min(float(freedom), MOST_FREEDOM),
        "camber_u_deg": float(camber_u_deg),
        "camber_k": student_factor(freedom),
        "k": student_factor(fit.degrees_of_freedom),
        "supported": " ".join(best.supported),
        "unsupported": " ".join(best.unsupported),
    }
    for one in best.parameters:
        details[one.name] = one.value
        details[f"{one.name}_u"] = one.standard_uncertainty
    if fit.temp_c is not None:
        details["temperature_c"] = fit.temp_c
    if face is not None:
        details["face_lean_deg"] = face.lean_deg
        details["face_residual_deg"] = float(max(abs(r) for r in face.residuals_deg))
        if best is face:
            details["turn_x_u_deg"], _, details["turn_z_u_deg"] = face.turn_u_deg
    if gyro is not None:
        details["gyro_axes"] = " ".join(gyro.axes)
        details["gyro_misfit_deg"] = float((gyro.misfit_deg**2).mean() ** 0.5)
        details["gyro_misfit_before_deg"] = gyro.uncorrected_misfit_deg
        details["gyro_unsupported"] = " ".join(gyro.unsupported)
    if made is not None:
        details["date"] = made.calibration.date
    return details
