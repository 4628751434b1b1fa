"""A linear channel's calibration in words and figures."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence

import numpy as np

from knuckle.estimate.linear import LinearCalibration
from knuckle.estimate.linear_fit import KnownLength, LineFit
from knuckle.model.result import Notice

WIDTH = 78


def calibration_lines(calibration: LinearCalibration) -> Iterator[str]:
    """Yield what a calibration says, in lines of at most 78 columns."""
    u_gain, u_offset = (math.sqrt(calibration.covariance[i, i]) for i in (0, 1))
    low, high = sorted(
        calibration.gain * end + calibration.offset_mm for end in calibration.valid_mm
    )
    middle = sum(calibration.valid_mm) / 2.0
    pod = calibration.identity or "not known"
    yield f"Linear channel {calibration.channel} of pod {pod}, {calibration.date or 'no date'}"
    yield "length = gain x reading + offset (standard uncertainties)"
    yield f"  gain     {calibration.gain:11.6f} ± {u_gain:.6f}"
    yield f"  offset   {calibration.offset_mm:11.4f} ± {u_offset:.4f} mm"
    told = "as stated" if calibration.count == 2 else f"{calibration.count - 2} left over"
    yield f"  scatter  {calibration.scatter_mm:11.4f} mm about the line ({told})"
    u_mm = float(calibration.length(np.array([middle])).u_mm[0])
    yield f"  a length in the middle is good to {u_mm:.3f} mm, one sigma"
    yield f"  holds for lengths from {low:.1f} to {high:.1f} mm; {calibration.count} known lengths"


def fit_lines(
    fit: LineFit, points: Sequence[KnownLength], notices: Sequence[Notice]
) -> Iterator[str]:
    """Yield a fit: each known length with what is left over, the line, what must be said."""
    yield "   known mm      ± u      read mm      ± u   left over mm"
    for point, left in zip(points, fit.residuals_mm, strict=True):
        yield (
            f"  {point.length_mm:9.3f} {point.u_mm:8.3f}   {point.reading_mm:10.3f} "
            f"{point.reading_u_mm:8.3f}   {left:+12.3f}"
        )
    yield ""
    yield from calibration_lines(fit.calibration)
    if fit.bow_mm is not None and fit.bow_chance is not None:
        verdict = "not straight" if fit.curved else "straight as far as this shows"
        yield f"  bow over the range {fit.bow_mm:.3f} mm: {verdict} (chance {fit.bow_chance:.2f})"
    for notice in notices:
        yield ""
        yield from textwrap.wrap(f"{notice.code}: {notice.text}", WIDTH, subsequent_indent="    ")


def list_line(number: int, calibration: LinearCalibration) -> str:
    """Return one line of a list."""
    low, high = sorted(
        calibration.gain * end + calibration.offset_mm for end in calibration.valid_mm
    )
    return (
        f"{number:>4}  {calibration.date[:16]:<16}  {calibration.identity:<16}  "
        f"{calibration.channel:>2}  {calibration.gain:9.5f}  {low:8.1f} {high:8.1f}"
    )


LIST_HEAD = "  no  made (UTC)        pod               ch       gain   from mm    to mm"
