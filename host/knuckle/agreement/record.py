"""An assessment as plain data: what the store keeps and every report is made from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

from knuckle.agreement.assess import Assessment
from knuckle.agreement.comparison import Comparison
from knuckle.agreement.joint import Estimate
from knuckle.agreement.reference import Reference, ReferenceKind
from knuckle.agreement.rows import Source, seating_scatter
from knuckle.agreement.verdict import Judgement, Verdict

FORMAT: Final = "knuckle validation"
REFERENCE_FORMAT: Final = "knuckle reference"
VERSION: Final = 1


def reference_to_json(reference: Reference) -> dict[str, Any]:
    """Return a reference as the store keeps it."""
    return {
        "format": REFERENCE_FORMAT,
        "version": VERSION,
        "kind": reference.kind.value,
        "name": reference.name,
        "resolution_deg": reference.resolution_deg,
        "reading_u_deg": reference.reading_deg,
        "zero_u_deg": reference.zero_deg,
        "scale_u": reference.scale,
    }


def reference_from_json(record: dict[str, Any]) -> Reference:
    """Return a reference from what the store kept.

    Raises
    ------
    ValueError
        If it is of another format or version, or lacks a figure.
    """
    if record.get("format") != REFERENCE_FORMAT or record.get("version") != VERSION:
        raise ValueError("not a reference of this version")
    try:
        return Reference(
            ReferenceKind(record["kind"]),
            float(record["resolution_deg"]),
            float(record["reading_u_deg"]),
            float(record["zero_u_deg"]),
            float(record["scale_u"]),
            str(record["name"]),
        )
    except (KeyError, TypeError) as error:
        raise ValueError(f"a reference without {error}") from error


def to_json(comparison: Comparison, found: Assessment, parts: Sequence[str]) -> dict[str, Any]:
    """Return an assessment as plain data, angles in deg.

    Parameters
    ----------
    comparison : Comparison
    found : Assessment
        Of it.
    parts : sequence of str
        Which part of the design each pod reading belongs to.
    """
    pairs = comparison.pairs()
    readings = [
        {
            "part": part,
            "setting": reading.setting,
            "seat": reading.seat,
            "turned": reading.turned,
            "direction": reading.direction,
            "time_s": reading.time_s,
            "reference_deg": reference,
            "pod_deg": pod,
            "pod_u_deg": reading.u_deg,
            "difference_deg": pod - reference,
        }
        for part, reading, (reference, pod) in zip(
            parts, comparison.pod_readings, pairs, strict=True
        )
    ]
    fit, limits, simple = found.fit, found.limits, found.simple_bias
    linearity, components, drift = found.linearity, found.components, found.drift
    regression = found.regression
    return {
        "format": FORMAT,
        "version": VERSION,
        "reference": reference_to_json(comparison.reference),
        "readings": readings,
        "settings": len(comparison.setting_deg()),
        "bias": _estimate(found.bias),
        "differences": {
            "mean_deg": simple.mean,
            "sd_deg": simple.sd,
            "interval_deg": [simple.low, simple.high],
            "freedom": simple.freedom,
        },
        "limits": {
            "lower_deg": limits.lower,
            "upper_deg": limits.upper,
            "lower_interval_deg": list(limits.lower_interval),
            "upper_interval_deg": list(limits.upper_interval),
            "intervals": "exact" if limits.exact else "approximate",
        },
        "regression": None
        if regression is None
        else {"gain": _estimate(regression.gain), "offset": _estimate(regression.offset_deg)},
        "linearity": None
        if linearity is None
        else {
            "departure_deg": linearity.departure_deg,
            "at_deg": linearity.at_deg,
            "u_deg": linearity.u_deg,
            "chance": linearity.chance,
            "curved": linearity.curved,
        },
        "hysteresis": _maybe(found.hysteresis),
        "drift": None
        if drift is None
        else {
            "per_hour": _estimate(drift.per_hour),
            "over_run_deg": drift.over_run_deg,
            "separable": drift.separable,
        },
        "reference_zero": _maybe(found.reference_zero),
        "reference_found": {
            "zero_deg": fit.estimate({"zero": 1.0}).value,
            "scale": fit.estimate({"scale": 1.0}).value,
        },
        "pod_zero": _maybe(found.pod_zero),
        "components": None
        if components is None
        else {
            "repeatability_deg": components.within,
            "repeatability_freedom": components.within_freedom,
            "seating_deg": components.between,
            "seating_freedom": components.between_freedom,
            "reproducibility_deg": components.reproducibility,
        },
        "seated_anew": None
        if (seats := seating_scatter(comparison.pod_readings)) is None
        else {"sd_deg": seats.sd, "freedom": seats.freedom},
        "curve": [
            {"angle_deg": float(angle), **_ends(fit.error(float(angle)))}
            for angle in fit.grid_deg()
        ],
        "order": fit.terms.order,
        "judgement": _judgement(found.judgement),
        "remarks": remarks(comparison, found),
    }


def _judgement(found: Judgement) -> dict[str, Any]:
    scatter = found.scatter
    return {
        "verdict": found.verdict.value,
        "tolerance_deg": found.tolerance_deg,
        "at_deg": found.at_deg,
        "error_deg": found.error_deg,
        "scatter_deg": scatter.deg,
        "scatter_interval_deg": [scatter.low_deg, scatter.high_deg],
        "scatter_seated_anew": scatter.seated_anew,
        "whole_error_deg": found.largest_deg,
        "upper_deg": found.upper_deg,
        "lower_deg": found.lower_deg,
        "guard_band_deg": found.guard_deg,
        "guard_band_of_reference_deg": found.common_deg,
        "readings": found.readings,
        "readings_needed": found.needed,
    }


def _estimate(found: Estimate) -> dict[str, Any]:
    return {
        "value": found.value,
        "u": found.u,
        "expanded_uncertainty": found.expanded(),
        "freedom": found.freedom if math.isfinite(found.freedom) else None,
        "parts": {source.value: found.parts[source] for source in Source if source in found.parts},
    }


def _maybe(found: Estimate | None) -> dict[str, Any] | None:
    return None if found is None else _estimate(found)


def _ends(found: Estimate) -> dict[str, float]:
    low, high = found.interval()
    return {"error_deg": found.value, "low_deg": low, "high_deg": high}


def remarks(comparison: Comparison, found: Assessment) -> list[str]:
    """Return what a person should know of an assessment, a sentence each."""
    said: list[str] = []
    judgement, drift, hysteresis = found.judgement, found.drift, found.hysteresis
    readings = comparison.pod_readings
    if judgement.verdict is Verdict.TOO_COARSE:
        said.append(
            "The reference's own zero, scale and steps leave more doubt than there is room; no "
            "number of readings takes that away."
        )
        parts = found.fit.error(judgement.at_deg).parts
        if not any(reading.turned for reading in readings):
            said.append("Turning the pod end for end (design reversal or full) settles its zero.")
        elif parts.get(Source.SCALE, 0.0) > parts.get(Source.ZERO, 0.0):
            said.append(
                "Its scale leaves most of it: state its limit (--scale-error) if you know a better "
                "one than its accuracy implies."
            )
    elif not any(reading.turned for reading in readings):
        said.append(
            "The pod was not turned end for end: the reference's zero and the pod's are not split."
        )
    if judgement.verdict is Verdict.TOO_FEW:
        said.append(
            f"About {judgement.needed} readings in all would decide. Begin anew with as many: "
            "going on until it passes makes a wrong pass likelier."
        )
    if found.fit.terms.order == 0:
        said.append("One angle alone was set: this holds there, and says nothing of others.")
    if len({reading.seat for reading in readings}) < 3:
        said.append("The pod was hardly put on anew: this holds for the way it sat in this run.")
    if found.linearity is not None and found.linearity.curved:
        said.append("The error is curved over the range, beyond chance.")
    if hysteresis is not None and abs(hysteresis.value) > hysteresis.expanded():
        said.append("Readings differ by the side the angle was reached from, beyond chance.")
    if drift is not None and not drift.separable:
        said.append("Drift cannot be told from angle here: come back to an angle set before.")
    elif drift is not None and abs(drift.per_hour.value) > drift.per_hour.expanded():
        said.append("The readings drifted in the run, beyond chance.")
    return said
