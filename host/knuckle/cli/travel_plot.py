"""The curves of a run of `knuckle travel`, drawn: for it, for `knuckle plot` and for reports."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from knuckle.model.wheel import Wheel

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from knuckle.run.travel import Stop


def draw(
    wheel: Wheel, stops: Sequence[Stop], rim_mm: float | None, run: int, path: Path, force: bool
) -> None:
    """Draw the curves of a run into a file.

    Raises
    ------
    UsageError
        If there is none, or the file exists.
    """
    from knuckle.report.plot import save

    save(figure_of(wheel, stops, rim_mm, run), path, overwrite=force)


def figure_of(wheel: Wheel, stops: Sequence[Stop], rim_mm: float | None, run: int) -> Figure:
    """Return the curves of a run, drawn.

    Raises
    ------
    UsageError
        If there is none.
    """
    from knuckle.alignment.travel import curve_of
    from knuckle.errors import MeasurementRefused
    from knuckle.report.plot_travel import plot_travel
    from knuckle.run.travel import stations_of

    curves = {}
    for quantity, (stations, shared) in stations_of(wheel, stops, rim_mm).items():
        try:
            curves[quantity] = (curve_of(quantity, stations, shared_u_deg=shared), stations)
        except MeasurementRefused:
            continue
    return plot_travel(curves, f"Travel of {wheel}, run {run}")
