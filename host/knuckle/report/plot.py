"""Plots of a run. Readable in black and white: marks and line styles differ, not colours.

The modules named plot* are the only ones that import matplotlib, without its interactive part.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from knuckle.errors import RecordingError, UsageError
from knuckle.model.block import Block, FloatArray, IntArray
from knuckle.model.rest import Rest
from knuckle.model.result import Outcome, PlacedRest, Position, Quantity
from knuckle.model.wheel import Wheel
from knuckle.report.curve import camber_at_steer
from knuckle.report.figures import SHORT_NAMES, with_uncertainty
from knuckle.report.residuals import residuals_of

SUFFIXES: Final = (".png", ".svg")
DOTS_PER_INCH: Final = 150

STYLE: Final[Any] = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0,
    "axes.titlesize": 10.0,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "0.85",
    "grid.linewidth": 0.5,
    "lines.linewidth": 0.8,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "svg.hashsalt": "knuckle",
    "svg.fonttype": "none",
}
_LINES: Final = ("-", "--", ":")
_SHADE: Final = "0.86"
_MARKS: Final[dict[Position | None, tuple[str, str]]] = {
    Position.STRAIGHT: ("s", "straight"),
    Position.IN: ("v", "in"),
    Position.OUT: ("^", "out"),
    None: ("x", "position unknown"),
}
_MOST_POINTS: Final = 6000
_ROOM_FOR_NAMES: Final = 0.08
"""Part of the panel's width between two rests that their names need; else initials."""


def plot_samples(
    block: Block, rests: Sequence[Rest | PlacedRest], outcome: Outcome | None, title: str = ""
) -> Figure:
    """Draw a recording's samples over time, with its rests shaded.

    Parameters
    ----------
    block : Block
    rests : sequence of Rest or PlacedRest
        Where the wheel stood.
    outcome : Outcome or None
        Names the positions of the rests.
    title : str
        Above the plot.
    """
    rows = ["ax_g", "ay_g", "az_g"] + (["gyro"] if block.gyro_dps is not None else [])
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(8.0, 1.45 * len(rows) + 1.0), layout="constrained")
        axes: list[Axes] = list(figure.subplots(len(rows), 1, sharex=True))
        chosen, breaks = _points_to_draw(block)
        for axis, (panel, letter) in enumerate(zip(axes, "XYZ", strict=False)):
            _draw(panel, block.t_s, block.accel_g[:, axis], chosen, breaks, "-")
            panel.set_ylabel(f"{letter} (g)")
        if block.gyro_dps is not None:
            for axis, letter in enumerate("XYZ"):
                _draw(
                    axes[3],
                    block.t_s,
                    block.gyro_dps[:, axis],
                    chosen,
                    breaks,
                    _LINES[axis],
                    f"about {letter}",
                )
            axes[3].set_ylabel("turn rate (deg/s)")
            axes[3].legend(loc="lower right", bbox_to_anchor=(1.0, 0.98), borderpad=0.0, ncols=3)
        for panel in axes:
            for rest in rests:
                panel.axvspan(rest.start_s, rest.end_s, color=_SHADE, linewidth=0.0, zorder=0.5)
            panel.margins(x=0.01)
        key = _name_rests(axes[0], rests, outcome)
        axes[0].set_title(f"{title or 'Samples'}; rests are shaded{key}", pad=16.0)
        axes[-1].set_xlabel("pod time (s)")
        figure.align_ylabels(axes)
    return figure


def plot_sweep(outcome: Outcome, title: str = "", rests: Sequence[Rest] = ()) -> Figure:
    """Draw a sweep: camber against steer angle with the fitted axis, and the residuals.

    Bars are 95 % intervals: of each camber above, of the noise of each rest alone below. Rests
    whose steer angle is unknown are left out.

    Parameters
    ----------
    outcome : Outcome
    title : str
        Above the plot.
    rests : sequence of Rest
        As found in the recording; without them there are no residuals.

    Raises
    ------
    UsageError
        If no rest has a steer angle.
    """
    placed = [rest for rest in outcome.rests if rest.steer_deg is not None]
    if not placed:
        raise UsageError(
            "There is no steer angle to draw camber against.",
            "The sweep has no rest whose steer angle is known.",
            "Draw the samples instead: --what samples.",
        )
    wheel = Wheel(outcome.wheel)
    steer = np.array([rest.steer_deg for rest in placed], dtype=np.float64)
    camber = np.array([rest.camber_deg for rest in placed], dtype=np.float64)
    bars = np.array([rest.camber_expanded_uncertainty_deg for rest in placed])
    fit = _fit(outcome, wheel)
    left_over = residuals_of(placed, rests) if fit is not None else None
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(7.0, 6.2), layout="constrained")
        if left_over is None:
            top = lowest = figure.subplots()
        else:
            top, lowest = figure.subplots(2, 1, sharex=True, height_ratios=(2.6, 1.0))
            camber = camber + left_over.values_deg
            lowest.axhline(0.0, color="black", linewidth=0.8)
            _marks(lowest, placed, steer, left_over.values_deg, left_over.bars_deg)
            lowest.set_ylabel("reading \N{MINUS SIGN} fit (deg)")
            lowest.set_title(
                "errors that all rests share are taken out; bars: 95 % of each rest's own noise",
                fontsize=8.0,
            )
            lowest.margins(y=0.15)
        if fit is not None:
            reach = max(1.0, 1.08 * float(np.max(np.abs(steer))))
            grid = np.linspace(-reach, reach, 241)
            top.plot(grid, camber_at_steer(grid, *fit), "k-", label="fitted steering axis")
        _marks(top, placed, steer, camber, bars)
        top.set_ylabel("camber (deg; bars: 95 %)")
        lowest.set_xlabel(_steer_label(wheel))
        top.legend(loc="best")
        top.set_title(f"{title or _default_title(outcome)}\n{_headline(outcome)}", linespacing=1.6)
    return figure


def plot_camber(outcome: Outcome, title: str = "") -> Figure:
    """Draw the camber of each rest over time, with the result and its band.

    Raises
    ------
    UsageError
        If there is no rest.
    """
    if not outcome.rests:
        raise UsageError(
            "There is no rest to draw.", "The wheel never stood still.", "Try --what samples."
        )
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(7.0, 4.0), layout="constrained")
        panel = figure.subplots()
        middle = [0.5 * (rest.start_s + rest.end_s) for rest in outcome.rests]
        panel.errorbar(
            middle,
            [rest.camber_deg for rest in outcome.rests],
            xerr=[0.5 * (rest.end_s - rest.start_s) for rest in outcome.rests],
            yerr=[rest.camber_expanded_uncertainty_deg for rest in outcome.rests],
            fmt="ks",
            markersize=4.0,
            elinewidth=0.8,
            capsize=2.5,
            label="each rest (bars: 95 %, and its length)",
        )
        result = outcome.results.get(Quantity.CAMBER)
        if result is not None:
            low = result.value - result.expanded_uncertainty
            high = result.value + result.expanded_uncertainty
            panel.axhspan(low, high, color=_SHADE, zorder=0.5, label="result, 95 % interval")
            panel.axhline(result.value, color="black", linestyle="--", linewidth=0.9)
        panel.set_xlabel("pod time (s)")
        panel.set_ylabel("camber (deg)")
        panel.margins(x=0.05, y=0.2)
        panel.legend(loc="best")
        panel.set_title(
            f"{title or _default_title(outcome)}\n{_headline(outcome)}", linespacing=1.6
        )
    return figure


def save(figure: Figure, path: Path, *, overwrite: bool = False) -> None:
    """Write a figure as PNG or SVG, by the file's suffix.

    Raises
    ------
    UsageError
        If the suffix is another, or the file exists already.
    RecordingError
        If it cannot be written.
    """
    kind = path.suffix.lower()
    if kind not in SUFFIXES:
        raise UsageError(
            f"A plot cannot be written as {path.suffix or 'a file without suffix'!r}.",
            "",
            "Name a file that ends in .png or .svg.",
        )
    if path.exists() and not overwrite:
        raise UsageError(
            f"The file {path} exists already.", "", "Choose another name with --out, or --force."
        )
    try:
        with mpl.rc_context(STYLE):
            # Without a date the same run gives the same file.
            metadata = {"Date": None, "Creator": None} if kind == ".svg" else {"Software": None}
            figure.savefig(path, format=kind[1:], dpi=DOTS_PER_INCH, metadata=metadata)
    except OSError as error:
        raise RecordingError(
            f"The plot {path} cannot be written: {error.strerror or error}.",
            "The folder is missing or read-only, or the disk is full.",
            "Choose another place with --out.",
        ) from error


def _points_to_draw(block: Block) -> tuple[IntArray, IntArray]:
    """Return which samples to draw, and which of them have a gap before them.

    Of a long recording each stretch of the paper gets its lowest and highest reading, so that
    no knock disappears.
    """
    count = len(block)
    gaps = np.flatnonzero((block.lost_before > 0) | (np.diff(block.stretch, prepend=0) != 0))
    if count <= _MOST_POINTS:
        return np.arange(count), gaps
    channels = [*block.accel_g.T, *(() if block.gyro_dps is None else block.gyro_dps.T)]
    bins = np.linspace(0, count, _MOST_POINTS // 12 + 1).astype(np.int64)
    extremes = [
        first + int(pick(values[first:end]))
        for values in channels
        for first, end in pairwise(bins)
        for pick in (np.argmin, np.argmax)
    ]
    chosen = np.unique(np.concatenate([extremes, bins[:-1], gaps, np.maximum(gaps - 1, 0)]))
    return chosen.astype(np.int64), gaps


def _draw(
    panel: Axes,
    t_s: FloatArray,
    values: FloatArray,
    chosen: IntArray,
    gaps: IntArray,
    style: str,
    label: str | None = None,
) -> None:
    """Draw one channel; a line never runs across missing samples."""
    places = np.searchsorted(chosen, gaps)
    panel.plot(
        np.insert(t_s[chosen], places, np.nan),
        np.insert(values[chosen], places, np.nan),
        color="black",
        linestyle=style,
        label=label,
    )


def _name_rests(panel: Axes, rests: Sequence[Rest | PlacedRest], outcome: Outcome | None) -> str:
    """Write the positions above the rests; return the key to initials if it takes them."""
    placed = [] if outcome is None else outcome.rests
    named = []
    for rest in rests:
        middle = 0.5 * (rest.start_s + rest.end_s)
        for item in placed:
            if item.position is not None and item.start_s <= middle <= item.end_s:
                named.append((middle, item.position.value))
                break
    low, high = panel.get_xlim()
    closest = min((b[0] - a[0] for a, b in pairwise(named)), default=high - low) / (high - low)
    short = closest < _ROOM_FOR_NAMES
    for middle, name in named:
        panel.annotate(
            name[0].upper() if short else name,
            (middle, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=6.5 if short else 8.0,
        )
    return " (S straight, I in, O out)" if short else ""


def _fit(outcome: Outcome, wheel: Wheel) -> tuple[float, float, float, int] | None:
    results = [outcome.results.get(q) for q in (Quantity.CAMBER, Quantity.CASTER, Quantity.SAI)]
    if outcome.refused is not None or any(result is None for result in results):
        return None
    camber, caster, inclination = (result.value for result in results if result is not None)
    return camber, caster, inclination, wheel.side


def _marks(
    panel: Axes,
    placed: Sequence[PlacedRest],
    steer_deg: FloatArray,
    values: FloatArray,
    bars: FloatArray,
) -> None:
    for position, (mark, name) in _MARKS.items():
        here = [at for at, rest in enumerate(placed) if rest.position is position]
        if here:
            panel.errorbar(
                steer_deg[here],
                values[here],
                yerr=bars[here],
                fmt=mark,
                color="black",
                markerfacecolor="black" if mark == "x" else "white",
                markersize=6.0,
                elinewidth=0.8,
                capsize=2.5,
                label=name,
            )


def _steer_label(wheel: Wheel) -> str:
    right, left = ("in", "out") if wheel.is_left else ("out", "in")
    return f"right ({right})  <  steer angle, change of heading (deg)  >  left ({left})"


def _default_title(outcome: Outcome) -> str:
    return f"{outcome.measure.capitalize()} of the {Wheel(outcome.wheel).spoken} wheel"


def _headline(outcome: Outcome) -> str:
    if outcome.refused is not None:
        return f"no result: {outcome.refused.code}"
    return ", ".join(
        f"{SHORT_NAMES[quantity]} "
        f"{with_uncertainty(result.value, result.expanded_uncertainty)} {result.unit}".replace(
            "-", "\N{MINUS SIGN}"
        )
        for quantity, result in outcome.results.items()
    )
