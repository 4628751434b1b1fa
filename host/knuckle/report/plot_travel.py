"""Camber and toe over suspension travel, drawn: readings with bars, curve with its band."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from knuckle.alignment.travel import Curve, Station
from knuckle.errors import UsageError
from knuckle.model.result import Quantity
from knuckle.report.figures import with_uncertainty
from knuckle.report.plot import STYLE

_COVERAGE = 1.96


def plot_travel(curves: Mapping[Quantity, tuple[Curve, Sequence[Station]]], title: str) -> Figure:
    """Draw the curves; height stands upright, as the wheel moves.

    Parameters
    ----------
    curves : mapping
        Of camber and toe, as far as there are.
    title : str

    Raises
    ------
    UsageError
        If there is none.
    """
    if not curves:
        raise UsageError("There is no curve to draw.", "Too few heights were read.")
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(3.6 * len(curves) + 0.4, 4.6), layout="constrained")
        panels = figure.subplots(1, len(curves), squeeze=False, sharey=True)[0]
        for panel, (curve, stations) in zip(panels, curves.values(), strict=True):
            _draw(panel, curve, stations)
        panels[0].set_ylabel("wheel against body, mm (up: bump)")
        figure.suptitle(title, x=0.01, ha="left", fontsize=10.0)
    return figure


def _draw(panel: Axes, curve: Curve, stations: Sequence[Station]) -> None:
    height = np.linspace(curve.low_mm, curve.high_mm, 101)
    middle, u = curve.at(height)
    panel.fill_betweenx(height, middle - u, middle + u, color="0.86", label="its band, 95 %")
    panel.plot(middle, height, "k-", label=f"curve, order {curve.order}")
    panel.errorbar(
        [s.value_deg for s in stations],
        [s.height_mm for s in stations],
        xerr=[_COVERAGE * s.value_u_deg for s in stations],
        yerr=[_COVERAGE * s.height_u_mm for s in stations],
        fmt="ks",
        markersize=4.0,
        elinewidth=0.8,
        capsize=2.5,
        label="readings (bars: 95 %)",
    )
    panel.axhline(0.0, color="0.4", linestyle=":", linewidth=0.8)
    slope = curve.slope_at(0.0)
    text = with_uncertainty(slope.value, slope.expanded_uncertainty, "±", 4)
    name = "camber gain" if curve.quantity is Quantity.CAMBER else "bump steer"
    panel.set_title(f"{name} {text} {slope.unit}")
    panel.set_xlabel(f"{curve.quantity.value}, deg")
    panel.legend(loc="best")
