"""The plot of a pod's noise: Allan deviation over averaging time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import LogLocator, NullFormatter

from knuckle.report.plot import STYLE

_KINDS: Final = (
    ("g", "accelerometer", "micro-g", 1e6),
    ("deg/s", "gyro", "mdeg/s", 1e3),
    ("mm", "linear sensor", "um", 1e3),
)
_MARKS: Final = ("o", "s", "^", "D", "v", "x")
_DASHES: Final = ("-", "--", ":", "-.", "-", "--")


def plot_noise(record: Mapping[str, Any], title: str = "") -> Figure:
    """Draw the overlapping Allan deviation of every channel.

    Parameters
    ----------
    record : mapping
        As `PodNoise.to_json` gives it. Bars are 95 % intervals; the thin line falls as the data
        sheet's noise density says.
    title : str
        Above the plot.
    """
    kinds = [
        (kind, [c for c in record["channels"] if c["unit"] == kind[0] and _seen(c)])
        for kind in _KINDS
    ]
    kinds = [(kind, channels) for kind, channels in kinds if channels]
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(8.0, 0.6 + 3.0 * max(len(kinds), 1)), layout="constrained")
        panels = figure.subplots(max(len(kinds), 1), 1, sharex=True, squeeze=False)[:, 0]
        for panel, (kind, channels) in zip(panels, kinds, strict=False):
            _draw_kind(panel, kind, channels)
        span = f"{record['used_s']:.0f} s still, {record['rate_hz']:g} samples/s"
        panels[0].set_title(f"{title or 'Noise'}: {span}")
        panels[-1].set_xlabel("averaging time (s)")
        figure.align_ylabels(list(panels))
    return figure


def _seen(channel: Mapping[str, Any]) -> bool:
    """Whether there is anything to draw: a channel that stands on one step has no deviation."""
    return any(value and value > 0.0 for value in channel["allan"]["deviation"])


def _draw_kind(
    panel: Axes, kind: tuple[str, str, str, float], channels: Sequence[Mapping[str, Any]]
) -> None:
    _, name, unit, factor = kind
    panel.set_xscale("log")
    panel.set_yscale("log")
    for at, channel in enumerate(channels):
        allan = channel["allan"]
        deviation = factor * np.array(allan["deviation"], dtype=float)
        seen = deviation > 0.0
        # Bars of neighbouring channels stand side by side, not on each other.
        tau_s = np.array(allan["tau_s"])[seen] * 1.04 ** (at - (len(channels) - 1) / 2.0)
        bars = [
            deviation[seen] - factor * np.array(allan["low"], dtype=float)[seen],
            factor * np.array(allan["high"], dtype=float)[seen] - deviation[seen],
        ]
        panel.errorbar(
            tau_s,
            deviation[seen],
            yerr=bars,
            fmt=_MARKS[at % len(_MARKS)],
            linestyle=_DASHES[at % len(_DASHES)],
            color="black",
            markerfacecolor="white",
            markersize=4.0,
            linewidth=0.7,
            elinewidth=0.6,
            capsize=1.5,
            label=channel["channel"],
        )
    stated = channels[0]["data_sheet_density"]
    if stated is not None:
        ends = np.array([channels[0]["allan"]["tau_s"][0], channels[0]["allan"]["tau_s"][-1]])
        panel.plot(
            ends,
            factor * stated / np.sqrt(2.0 * ends),
            color="0.55",
            linewidth=1.6,
            label=f"{channels[0]['part']} data sheet, white",
            zorder=1.0,
        )
    panel.yaxis.set_minor_locator(LogLocator(subs=(2.0, 5.0)))
    panel.yaxis.set_minor_formatter(NullFormatter())
    panel.grid(which="minor", linewidth=0.3)
    panel.set_ylabel(f"{name}\nAllan deviation ({unit})")
    panel.legend(loc="lower left", ncols=2)
