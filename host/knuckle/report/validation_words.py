"""A validation's figures in words: what the terminal and the report share."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

VERDICTS: Final = {
    "pass": "PASS",
    "fail": "FAIL",
    "reference_too_coarse": "NOT DECIDED: the reference is too coarse",
    "not_enough_readings": "NOT DECIDED: not enough readings",
}
CALIBRATIONS: Final = {
    "file": "from a file",
    "store": "from the store",
    "pod": "the pod's own",
    "applied": "the pod says that its readings are calibrated",
    "none": "none, as sold",
}
PARTS: Final = {
    "pod_scatter": "scatter of the pod",
    "seating": "how the pod sits",
    "reference_reading": "reading the reference",
    "reference_resolution": "steps of the reference",
    "reference_zero": "zero of the reference",
    "reference_scale": "scale of the reference",
}


BAR_PARTS: Final = {
    "reference_resolution": "stacks of the sine bar",
    "reference_zero": "level under the sine bar",
    "reference_scale": "length of the sine bar",
}
LIMITS: Final = (
    "The limits of agreement are of differences as read: the reference's own zero and scale, "
    "common to all readings, are not in them. Bias and verdict contain them."
)


def verdict_line(record: Mapping[str, Any]) -> str:
    """Return what was held against what, and where."""
    angles = [point["angle_deg"] for point in record["curve"]]
    low, high = min(angles), max(angles)
    where = f"at {low:+.1f} deg" if high - low < 0.05 else f"from {low:+.1f} to {high:+.1f} deg"
    return f"tolerance +-{record['judgement']['tolerance_deg']:g} deg, {where}"


def reason(record: Mapping[str, Any]) -> str:
    """Return the sentence that stands behind the verdict."""
    j = record["judgement"]
    tolerance, whole = j["tolerance_deg"], j["whole_error_deg"]
    worst = ", where it is worst" if len(record["curve"]) > 1 else ""
    start = (
        f"95 % of the pod's single readings are off by {whole:.3f} deg or less at "
        f"{j['at_deg']:+.1f} deg{worst}"
    )
    match j["verdict"]:
        case "pass":
            return (
                f"{start}; with the guard band {j['upper_deg']:.3f} deg, which is inside the "
                f"tolerance of {tolerance:g} deg."
            )
        case "fail":
            return (
                f"{start}; less the guard band still {j['lower_deg']:.3f} deg, which is outside "
                f"the tolerance of {tolerance:g} deg."
            )
        case "reference_too_coarse":
            return (
                f"{start}; the guard band ({j['guard_band_deg']:.3f} deg, of which "
                f"{j['guard_band_of_reference_deg']:.3f} deg is the reference's own) reaches over "
                f"the tolerance of {tolerance:g} deg, and more readings would not help."
            )
    needed = j.get("readings_needed")
    return (
        f"{start}; the guard band ({j['guard_band_deg']:.3f} deg) reaches over the tolerance of "
        f"{tolerance:g} deg. There are {j['readings']} readings; about {needed} would decide."
    )


def rows(record: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    """Return (what, figure, note) of everything that was found, in order."""
    found: list[tuple[str, str, str]] = []
    bias, limits, j = record["bias"], record["limits"], record["judgement"]
    turned = any(r["turned"] for r in record["readings"])
    note = "mean error, the reference's zero taken off" if turned else "mean error of all readings"
    found.append(("bias", _pm(bias), note))
    for name in ("lower", "upper"):
        low, high = limits[f"{name}_interval_deg"]
        found.append(
            (
                f"{name} limit of agreement",
                f"{limits[f'{name}_deg']:+.3f} deg",
                f"95 % interval {low:+.3f} to {high:+.3f} ({limits['intervals']})",
            )
        )
    low, high = j["scatter_interval_deg"]
    hidden = "" if j["scatter_deg"] > 0.0 else "; below what reading the reference leaves"
    found.append(
        (
            "scatter of one reading",
            _scatter(j),
            f"95 % interval {low:.3f} to {high:.3f}{hidden}",
        )
    )
    if (line := record.get("regression")) is not None:
        gain, offset = line["gain"], line["offset"]
        spread = f"{gain['value']:.4f} +- {gain['expanded_uncertainty']:.4f}"
        found.append(("gain", spread, "straight line, errors in both"))
        found.append(("offset", _pm(offset), "of that line, at zero"))
    if (bow := record.get("linearity")) is not None:
        note = "beyond chance" if bow["curved"] else "no more than chance"
        found.append(
            (
                "departure from the line",
                f"{bow['departure_deg']:+.3f} deg",
                f"at {bow['at_deg']:+.1f} deg; {note} (p {bow['chance']:.2g})",
            )
        )
    if (side := record.get("hysteresis")) is not None:
        found.append(("up less down (hysteresis)", _pm(side), ""))
    if (zero := record.get("pod_zero")) is not None:
        found.append(("pod's zero", _pm(zero), ""))
    if (zero := record.get("reference_zero")) is not None:
        note = "split by turning end for end" if turned else "as stated; not split"
        found.append(("reference's zero", _pm(zero), note))
    found += _precision(record)
    if (drift := record.get("drift")) is not None:
        if drift["separable"]:
            over = f"{drift['over_run_deg']:+.3f} deg over the run"
            found.append(("drift", _pm(drift["per_hour"], "deg/h"), over))
        else:
            found.append(("drift", "not known", "no angle came back"))
    return found


def _scatter(judgement: Mapping[str, Any]) -> str:
    """Return the scatter of one reading; where the reference hides it, its bound."""
    if judgement["scatter_deg"] > 0.0:
        return f"{judgement['scatter_deg']:.3f} deg"
    return f"below {judgement['scatter_interval_deg'][1]:.3f} deg"


def _precision(record: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    found = []
    if (parts := record.get("components")) is not None:
        note = f"seat untouched, {parts['repeatability_freedom']} degrees of freedom"
        found.append(("scatter at rest", f"{parts['repeatability_deg']:.3f} deg", note))
    if (again := record.get("seated_anew")) is not None:
        note = f"put on anew, angle untouched, {again['freedom']} degrees of freedom"
        found.append(("repeatability", f"{again['sd_deg']:.3f} deg", note))
    if record["settings"] > 1:
        note = "angle set anew as well; one person, one run"
        found.append(("reproducibility", _scatter(record["judgement"]), note))
    return found


def part_rows(record: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what the bias's uncertainty is made of, one sigma, the largest first."""
    parts = record["bias"]["parts"]
    ordered = sorted(parts.items(), key=lambda item: -item[1])
    names = PARTS | (BAR_PARTS if record["reference"]["kind"] == "sine_bar" else {})
    return [(names[name], f"{u:.4f} deg") for name, u in ordered if name in names]


def _pm(estimate: Mapping[str, Any], unit: str = "deg") -> str:
    value = round(estimate["value"], 3) + 0.0  # no minus before a zero
    return f"{value:+.3f} +- {estimate['expanded_uncertainty']:.3f} {unit}"


def calibration_words(record: Mapping[str, Any]) -> str:
    """Return by which calibration the pod's readings were corrected."""
    fact = record["calibration"]
    date = f", of {fact['date'][:10]}" if fact["date"] else ""
    return f"{CALIBRATIONS.get(fact['source'], fact['source'])}{date}"


def reference_words(record: Mapping[str, Any]) -> str:
    """Return what the reference is worth, in a line."""
    r = record["reference"]
    if r["kind"] == "sine_bar":
        return (
            f"sine bar; one sigma of the surface's level {r['zero_u_deg']:.3g} deg, of the bar's "
            f"length {100.0 * r['scale_u']:.2g} %; each stack's own beside them"
        )
    return (
        f"{r['kind'].replace('_', ' ')}: step {r['resolution_deg']:g} deg, one sigma of reading "
        f"{r['reading_u_deg']:.3g} deg, zero {r['zero_u_deg']:.3g} deg, scale "
        f"{100.0 * r['scale_u']:.2g} %"
    )
