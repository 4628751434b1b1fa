"""The three plots of a validation. Readable in black and white: marks differ, not colours."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from knuckle.errors import RecordingError
from knuckle.report.plot import DOTS_PER_INCH, STYLE

SIZE_IN: Final = (5.0, 3.1)
NARROWEST_DEG: Final = 1.0
"""Of the horizontal axis, where one angle alone was set."""
_SHADE: Final = "0.88"
_MARKS: Final = {
    "linear": ("o", "linear"),
    "up": ("^", "going up"),
    "down": ("v", "going down"),
    "repeat": ("s", "put on anew"),
    "reversal": ("D", "end for end"),
}


def _kind(reading: Mapping[str, Any]) -> str:
    if reading["part"] == "updown":
        return "up" if reading["direction"] > 0 else "down"
    return str(reading["part"])


def _points(axes: Axes, record: Mapping[str, Any], x: str, y: str) -> None:
    for kind, (mark, label) in _MARKS.items():
        here = [r for r in record["readings"] if _kind(r) == kind]
        if here:
            axes.plot(
                [r[x] for r in here],
                [r[y] for r in here],
                mark,
                label=label,
                ms=4.5,
                mfc="white",
                mec="black",
                mew=0.8,
                zorder=3,
            )


def _errors(record: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return readings with the reference's zero and scale taken off, as the run shows them.

    Records of earlier versions do not hold these.
    """
    found = record.get("reference_found") or {"zero_deg": 0.0, "scale": 0.0}
    return [
        {
            **r,
            "error_deg": r["difference_deg"]
            + found["scale"] * r["reference_deg"]
            + (-1.0 if r["turned"] else 1.0) * found["zero_deg"],
        }
        for r in record["readings"]
    ]


def _tolerance(axes: Axes, record: Mapping[str, Any]) -> None:
    limit = record["judgement"]["tolerance_deg"]
    for sign in (1.0, -1.0):
        axes.axhline(sign * limit, color="black", lw=1.2, ls="--", zorder=2)
    axes.annotate(
        "tolerance",
        (1.0, limit),
        xycoords=("axes fraction", "data"),
        xytext=(-2, 2),
        textcoords="offset points",
        ha="right",
        fontsize=7.5,
    )


def _legend(axes: Axes) -> None:
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.2), ncol=4, handletextpad=0.2)


def agreement(axes: Axes, record: Mapping[str, Any]) -> None:
    """Draw differences over means, with bias and limits of agreement."""
    limits, spread = record["limits"], record["differences"]
    for name in ("lower", "upper"):
        axes.axhspan(*limits[f"{name}_interval_deg"], color=_SHADE, lw=0, zorder=0)
        axes.axhline(limits[f"{name}_deg"], color="black", lw=0.8, ls=":", zorder=2)
    axes.axhline(spread["mean_deg"], color="black", lw=0.9, zorder=2)
    usual = [r for r in record["readings"] if not r["turned"]]
    readings = [
        {**r, "mean_deg": (r["pod_deg"] + r["reference_deg"]) / 2.0}
        for r in (usual if len(usual) > 1 else record["readings"])
    ]
    _points(axes, {**record, "readings": readings}, "mean_deg", "difference_deg")
    for text, at in (
        ("upper\nlimit", limits["upper_deg"]),
        ("mean", spread["mean_deg"]),
        ("lower\nlimit", limits["lower_deg"]),
    ):
        axes.annotate(
            text,
            (1.0, at),
            xycoords=("axes fraction", "data"),
            xytext=(3, 0),
            textcoords="offset points",
            va="center",
            fontsize=7.5,
        )
    axes.set_title("Agreement: differences as read, 95 % limits")
    axes.set_xlabel("mean of pod and reference, deg")
    axes.set_ylabel("pod less reference, deg")


def linearity(axes: Axes, record: Mapping[str, Any]) -> None:
    """Draw the fitted error over the range with its interval, beside the tolerance."""
    curve = record["curve"]
    angles = [point["angle_deg"] for point in curve]
    if len(curve) > 1:
        axes.fill_between(
            angles,
            [point["low_deg"] for point in curve],
            [point["high_deg"] for point in curve],
            color=_SHADE,
            lw=0,
        )
        axes.plot(angles, [point["error_deg"] for point in curve], color="black", lw=1.2)
    else:
        only = curve[0]
        spread = [[only["error_deg"] - only["low_deg"]], [only["high_deg"] - only["error_deg"]]]
        axes.errorbar(
            *(_beside(record), only["error_deg"], spread),
            fmt="_",
            color="black",
            capsize=4,
            lw=1.2,
            label="error, 95 %",
        )
    _tolerance(axes, record)
    _points(axes, {**record, "readings": _errors(record)}, "reference_deg", "error_deg")
    name = "Linearity: error" if len(curve) > 1 else "Error"
    axes.set_title(f"{name} of the pod with 95 % interval")
    axes.set_xlabel("reference, deg")
    axes.set_ylabel("error, deg")


def _beside(record: Mapping[str, Any]) -> float:
    """Return a place to the right of all readings."""
    return float(max(r["reference_deg"] for r in record["readings"])) + NARROWEST_DEG / 5.0


def residuals(axes: Axes, record: Mapping[str, Any]) -> None:
    """Draw what is left of each reading beside the straight line, over the angle."""
    readings = _errors(record)
    x = np.array([r["reference_deg"] for r in readings])
    y = np.array([r["error_deg"] for r in readings])
    order = 1 if np.ptp(x) > 0.2 and x.shape[0] > 2 else 0
    left = y - np.polyval(np.polyfit(x, y, order), x)
    scatter = record["judgement"]["scatter_deg"]
    axes.axhspan(-1.96 * scatter, 1.96 * scatter, color=_SHADE, lw=0, zorder=0)
    axes.axhline(0.0, color="black", lw=0.9)
    rows = [{**r, "residual_deg": float(value)} for r, value in zip(readings, left, strict=True)]
    _points(axes, {**record, "readings": rows}, "reference_deg", "residual_deg")
    axes.set_title("Residual against angle; shaded: 1.96 x scatter")
    axes.set_xlabel("reference, deg")
    axes.set_ylabel("error less line, deg")


PLOTS: Final[dict[str, Callable[[Axes, Mapping[str, Any]], None]]] = {
    "agreement": agreement,
    "linearity": linearity,
    "residuals": residuals,
}


def png(name: str, record: Mapping[str, Any]) -> bytes:
    """Return a plot as PNG.

    Parameters
    ----------
    name : str
        "agreement", "linearity" or "residuals".
    record : mapping
        A validation as the store keeps it.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=SIZE_IN, layout="constrained")
        axes = figure.add_subplot()
        PLOTS[name](axes, record)
        axes.margins(x=0.04)
        low, high = axes.get_xlim()
        short = NARROWEST_DEG - (high - low)
        if short > 0.0:
            axes.set_xlim(low - short / 2.0, high + short / 2.0)
        axes.xaxis.set_major_locator(MaxNLocator(7))
        _legend(axes)
        stream = io.BytesIO()
        figure.savefig(stream, format="png", dpi=DOTS_PER_INCH, metadata={"Software": None})
    return stream.getvalue()


def write_plots(record: Mapping[str, Any], folder: Path) -> list[Path]:
    """Write all plots into a folder, which is made if need be.

    Raises
    ------
    RecordingError
        If that cannot be done.
    """
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in PLOTS:
            path = folder / f"validation-{name}.png"
            path.write_bytes(png(name, record))
            written.append(path)
    except OSError as error:
        raise RecordingError(
            f"The plots cannot be written to {folder}: {error}.", "", "Name another --plots."
        ) from error
    return written
