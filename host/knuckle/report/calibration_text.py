"""A calibration of a pod's accelerometer and gyro as lines of text that fit 80 columns."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Mapping
from typing import Any, Final

from knuckle.calibrate.support import freedom_words, student_factor

WIDTH: Final = 78
MANY: Final = 1000.0
"""From so many degrees of freedom on their number says nothing."""
LIST_HEAD: Final = "  no  date              pod               temp C  poses  face  turn deg  drift"

_PARAMETERS: Final = (
    ("bias", ("bias_x", "bias_y", "bias_z"), 1000.0, "mg"),
    ("scale", ("scale_x", "scale_y", "scale_z"), 100.0, "%"),
    ("skew", ("skew_xy", "skew_xz", "skew_yz"), 100.0, "%"),
)


def fit_lines(details: Mapping[str, float | str]) -> Iterator[str]:
    """Yield the lines of a fit: its parameters, what stands behind them, what they leave.

    Parameters
    ----------
    details : mapping
        Of the outcome: docs/results.md lists them.
    """
    unsupported, k = str(details["unsupported"]).split(), float(details["k"])
    members_of = [member for row in _PARAMETERS for member in row[1]]
    factors: dict[str, float] = {
        m: student_factor(math.inf) if m in unsupported else k for m in members_of
    }
    yield f"Poses               {details['poses']:.0f}, {details['left_out']:.0f} left out"
    yield f"Scatter of a pose   {details['scatter_mg']:.2f} mg"
    if "temperature_c" in details:
        yield f"Temperature         {details['temperature_c']:.1f} C"
    yield ""
    yield f"            value                          95 %, k = {k:.2f}"
    for name, members, factor, unit in _PARAMETERS:
        axes = "".join(f"{member[-2 if name == 'skew' else -1 :]:>9}" for member in members)
        values = "".join(f"{factor * float(details[m]):>+9.3f}" for m in members)
        sigmas = "".join(f"{factors[m] * factor * float(details[m + '_u']):>9.3f}" for m in members)
        yield f"{'':<8}{axes}"
        yield f"{name:<8}{values} {unit:<3}{sigmas} {unit}"
    for name in unsupported:
        yield f"{name}: not settled by the poses; the data sheet's tolerance stands"
    yield ""
    if "turn_x_u_deg" in details:
        yield (
            f"Turn of the chip    known to {details['turn_x_u_deg']:.3f} deg about X, "
            f"{details['turn_z_u_deg']:.3f} deg about Z (one sigma)"
        )
    if "gyro_axes" in details:
        yield (
            f"Gyro                gravity lands {details['gyro_misfit_deg']:.2f} deg from where it "
            f"says (before: {details['gyro_misfit_before_deg']:.2f})"
        )
    if "date" not in details:  # no calibration has come of it
        return
    camber_k, freedom = float(details["camber_k"]), float(details["degrees_of_freedom"])
    by = f" by {freedom_words(freedom)}" if freedom < MANY else ""
    left_deg = camber_k * float(details["camber_u_deg"])
    open_turn = "" if "turn_x_u_deg" in details else ", the chip's turn open"
    yield f"Left in camber      {left_deg:.3f} deg (95 %, k = {camber_k:.2f}{by}){open_turn}"


def record_lines(record: Mapping[str, Any]) -> Iterator[str]:
    """Yield the lines of a calibration as the store keeps it, of either version."""
    accel, gyro = record["accelerometer"], record.get("gyro")
    made = record.get("made_of") or {}
    yield f"pod           {record.get('pod') or '(not known)'}"
    yield f"date          {record.get('date') or '(not known)'}"
    temperature = record.get("temperature")
    yield f"temperature   {'not known' if temperature is None else f'{temperature:.1f} C'}"
    if made:
        run = made.get("run")
        yield (
            f"made of       {made.get('poses', 0)} poses"
            + (", face run" if made.get("face") else ", no face run")
            + (f", run {run}" if run is not None else "")
        )
    sigma = [math.sqrt(max(accel["covariance"][i][i], 0.0)) for i in range(12)]
    yield "bias          " + _row(accel["bias"], sigma[:3], 1000.0, "mg")
    for i, axis in enumerate("xyz"):
        yield f"matrix, {axis}     " + _row(
            accel["matrix"][i], sigma[3 + 3 * i : 6 + 3 * i], 1.0, ""
        )
    x, y, z = turn_u_deg(record)
    yield f"turn          known to {x:.3f}, {y:.3f}, {z:.3f} deg about X, Y, Z (one sigma)"
    if accel.get("unsupported"):
        yield f"not settled   {', '.join(accel['unsupported'])}"
    freedom = accel.get("degrees_of_freedom")
    if freedom is not None:
        yield (
            f"freedom       {freedom:.0f} degrees: 95 % is {student_factor(freedom):.2f} times one "
            "sigma (in brackets)"
        )
    yield f"gyro          {'not calibrated' if gyro is None else 'calibrated'}"
    drift = record.get("drift")
    if drift:
        yield (
            f"drift         from {drift['low']:.1f} to {drift['high']:.1f} C: "
            + ", ".join(f"{1000.0 * one:+.3f}" for one in drift["bias"])
            + " mg/C"
        )


def list_line(number: int, record: Mapping[str, Any]) -> str:
    """Return a calibration as a line below `LIST_HEAD`."""
    made = record.get("made_of") or {}
    x, _, z = turn_u_deg(record)
    temperature = record.get("temperature")
    return (
        f"{number:4d}  {str(record.get('date', ''))[:16]:<16}  {record.get('pod') or '-':<16}  "
        f"{'-' if temperature is None else f'{temperature:.1f}':>6}  {made.get('poses', '-'):>5}  "
        f"{'yes' if made.get('face') else 'no':<4}  {max(x, z):>8.3f}  "
        f"{'yes' if record.get('drift') else 'no'}"
    )


def turn_u_deg(record: Mapping[str, Any]) -> tuple[float, float, float]:
    """Return the standard uncertainty of the turn about X, Y, Z of a record of either version."""
    accel = record["accelerometer"]
    if "turn" in accel:
        return (float(accel["turn"]),) * 3
    x, y, z = (math.degrees(math.sqrt(accel["covariance"][i][i])) for i in (12, 13, 14))
    return x, y, z


def wrapped(text: str) -> Iterator[str]:
    """Yield a text broken to the width."""
    yield from textwrap.wrap(text, WIDTH, subsequent_indent="  ")


def _row(values: Any, sigmas: list[float], factor: float, unit: str) -> str:
    pairs = (f"{factor * v:+.4f} ({factor * s:.4f})" for v, s in zip(values, sigmas, strict=True))
    return "  ".join(pairs) + (f" {unit}" if unit else "")
