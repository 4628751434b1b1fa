"""The noise of one channel, and how it compares with its data sheet."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from knuckle.model.block import FloatArray
from knuckle.noise.curve import Curve, curve_of, deviation_at
from knuckle.noise.figures import (
    Estimate,
    Figures,
    figures_of,
    record_for_floor_s,
    record_for_white_s,
)

AS_STATED: Final = 1.5
"""Times the data sheet's density, up to which a part is as its sheet says: the sheet gives a
typical figure, and readings slower than the low-pass fold noise in from above half their rate."""
FAR_ABOVE: Final = 4.0
HIDDEN: Final = 0.5
"""Scatter in steps of the reading below which the steps, not the noise, are what is seen."""
WELL_KNOWN: Final = 0.02
FLOOR_KNOWN: Final = 0.2


@dataclass(frozen=True, slots=True)
class ChannelNoise:
    """What a still record says of one channel.

    Attributes
    ----------
    name : str
        "ax" to "gz", "linear1" ...
    unit : str
        "g", "deg/s" or "mm": of all figures.
    mean, scatter : float
        Of the readings used.
    step : float
        Smallest difference between two readings; 0 if all are equal.
    curve : Curve
    figures : Figures or None
        None where the readings stand on a step, or the record is too short.
    at_s : dict of float to float
        Overlapping Allan deviation at 1, 10 and 100 s, as far as the record reaches.
    part : str
        That the sheet is of; empty if not known.
    stated : float or None
        The sheet's noise density.
    """

    name: str
    unit: str
    mean: float
    scatter: float
    step: float
    curve: Curve
    figures: Figures | None
    at_s: dict[float, float]
    part: str = ""
    stated: float | None = None

    @property
    def hidden(self) -> bool:
        """Whether the noise hides within a step of the reading."""
        return self.scatter < HIDDEN * self.step or self.scatter == 0.0

    @property
    def ratio(self) -> float | None:
        """White noise over the sheet's; None where one of them is not known."""
        if self.stated is None or self.figures is None or self.figures.white is None:
            return None
        return self.figures.white.value / self.stated

    @property
    def verdict(self) -> str:
        """How it compares with the sheet: a code for programs, put in words by the report."""
        ratio = self.ratio
        if self.hidden:
            return "hidden"
        if ratio is None:
            return "not compared"
        if ratio > FAR_ABOVE:
            return "far above"
        if ratio > AS_STATED:
            return "above"
        return "as stated" if ratio > 1.0 / AS_STATED else "below"

    @property
    def record_for_white_s(self) -> float | None:
        """How long a record settles white noise to 2 %."""
        figures = self.figures
        if figures is None or figures.white is None:
            return None
        return record_for_white_s(figures.white_from_s, WELL_KNOWN)

    @property
    def record_for_floor_s(self) -> float | None:
        """How long a record settles the lowest point to 20 %; at least, while it still falls."""
        figures = self.figures
        return None if figures is None else record_for_floor_s(figures.best_s, FLOOR_KNOWN)

    def to_json(self) -> dict[str, Any]:
        """Return it as a JSON-like object; NaN where not known."""
        figures = self.figures
        return {
            "channel": self.name,
            "unit": self.unit,
            "mean": self.mean,
            "scatter": self.scatter,
            "step": self.step,
            "white_noise": None if figures is None else _estimate(figures.white),
            "white_from_s": None if figures is None else figures.white_from_s,
            "bias_instability": None if figures is None else _estimate(figures.instability),
            "random_walk": None if figures is None else _estimate(figures.walk),
            "instability_or_walk": None if figures is None else figures.either,
            "best_averaging_s": None if figures is None else figures.best_s,
            "best_is_bound": None if figures is None else figures.best_is_bound,
            "lowest": None if figures is None else figures.lowest,
            "lowest_interval": None
            if figures is None
            else [figures.lowest_low, figures.lowest_high],
            "part": self.part,
            "data_sheet_density": self.stated,
            "verdict": self.verdict,
            "record_for_white_s": self.record_for_white_s,
            "record_for_lowest_s": self.record_for_floor_s,
            "allan": {
                "tau_s": self.curve.tau_s.tolist(),
                "deviation": self.curve.deviation.tolist(),
                "low": self.curve.low.tolist(),
                "high": self.curve.high.tolist(),
                "degrees_of_freedom": self.curve.freedom.tolist(),
            },
            "allan_at": {f"{tau_s:g}": value for tau_s, value in self.at_s.items()},
        }


def channel_noise(
    name: str,
    unit: str,
    series: Sequence[FloatArray],
    rate_hz: float,
    part: str = "",
    stated: float | None = None,
) -> ChannelNoise:
    """Return the noise of a channel.

    Parameters
    ----------
    series : sequence of ndarray
        At equal steps, NaN where there is no reading; at least one reading in all.
    rate_hz : float
    part : str
        Whose data sheet.
    stated : float, optional
        Its noise density, unit/sqrt(Hz).
    """
    values = np.concatenate([one[np.isfinite(one)] for one in series])
    mean = float(values.mean())
    scatter = float(values.std(ddof=1)) if len(values) > 1 else 0.0
    gaps = np.diff(np.unique(values))
    gaps = gaps[gaps > 1e-9 * max(float(np.abs(values).max()), 1e-12)]
    step = float(gaps.min()) if len(gaps) else 0.0
    curve = curve_of(series, rate_hz)
    hidden = scatter == 0.0 or scatter < HIDDEN * step
    at_s = {tau_s: deviation_at(series, rate_hz, tau_s) for tau_s in (1.0, 10.0, 100.0)}
    return ChannelNoise(
        name,
        unit,
        mean,
        scatter,
        step,
        curve,
        None if hidden else figures_of(curve),
        {tau_s: value for tau_s, value in at_s.items() if value is not None},
        part,
        stated,
    )


def _estimate(estimate: Estimate | None) -> dict[str, Any] | None:
    if estimate is None:
        return None
    u = None if math.isnan(estimate.u) else estimate.u
    return {"value": estimate.value, "standard_uncertainty": u, "at_most": estimate.bound}
