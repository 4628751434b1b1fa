"""From a still record to the noise of every channel, or a refusal that says why."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from knuckle.estimate.data_sheets import Parts, accelerometer_sheet, gyro_sheet, plain
from knuckle.model.block import Block, BoolArray
from knuckle.model.linear import LinearBlock
from knuckle.model.result import Notice, Outcome
from knuckle.noise.channel import ChannelNoise, channel_noise
from knuckle.noise.rest_floor import rest_floor
from knuckle.noise.still_part import StillPart, on_grid, still_part
from knuckle.rests.linear import find_linear_rests
from knuckle.rests.noise_floor import KnownFloor
from knuckle.rests.settings import RestSettings

SHORTEST_S: Final = 10.0
LEAST_STILL: Final = 0.5
"""Part of a record that must be at rest, or it is no record of a still pod."""
MOST_CLIPPED: Final = 0.01
FORMAT: Final = "knuckle noise"
VERSION: Final = 1


@dataclass(frozen=True)
class PodNoise:
    """The noise of a pod.

    Attributes
    ----------
    channels : tuple of ChannelNoise
    rate_hz : float
        Of the (averaged) samples.
    used_s, total_s : float
        Still time that was used, of the record's.
    temp_c : float or None
        Mean temperature of what was used.
    floor : KnownFloor or None
        For the detector of rests.
    """

    channels: tuple[ChannelNoise, ...]
    rate_hz: float
    used_s: float
    total_s: float
    temp_c: float | None = None
    floor: KnownFloor | None = None
    notices: tuple[Notice, ...] = field(default=())

    def to_json(self, identity: str = "", date: str = "") -> dict[str, Any]:
        """Return it as the JSON-like object that the store keeps.

        Parameters
        ----------
        identity : str
            The pod's.
        date : str
            When the record was made, ISO 8601.
        """
        return {
            "format": FORMAT,
            "version": VERSION,
            "pod": identity,
            "date": date,
            "rate_hz": self.rate_hz,
            "used_s": self.used_s,
            "total_s": self.total_s,
            "temp_c": self.temp_c,
            "channels": [channel.to_json() for channel in self.channels],
            "rests": None if self.floor is None else self.floor.to_json(),
        }


def analyse_noise(
    block: Block | None,
    linear: LinearBlock | None,
    parts: Parts,
    steps_mm: Sequence[float] = (),
) -> tuple[Outcome, PodNoise | None]:
    """Find the still part of a record and the noise of every channel in it.

    Parameters
    ----------
    block : Block or None
        As the pod sent it, not calibrated.
    linear : LinearBlock or None
        The linear channels.
    parts : Parts
        By whose data sheets to judge.
    steps_mm : sequence of float
        Smallest step of each linear channel's reading.

    Returns
    -------
    Outcome
        Refused where the record does not serve.
    PodNoise or None
    """
    channels: list[ChannelNoise] = []
    notices: list[Notice] = []
    refused: Notice | None = None
    used_s = total_s = 0.0
    temp_c: float | None = None
    floor: KnownFloor | None = None
    rate_hz = 0.0
    if block is not None and len(block):
        rate_hz, total_s = block.rate_hz, len(block) / block.rate_hz
        part = still_part(block)
        used_s = float(part.good.sum()) / rate_hz
        notices += part.notices(total_s)
        notices += _missing(block)
        refused = _unfit(block, part, used_s, total_s)
        if refused is None:
            channels += _motion(block, part, parts)
            floor = rest_floor(block, part.good, RestSettings())
            temp_c = _temperature(block, part.good)
    if linear is not None and len(linear) and refused is None:
        found = list(_lengths(linear, steps_mm))
        channels += found
        if block is None or not len(block):
            rate_hz = linear.rate_hz
            total_s = len(linear) / rate_hz
            used_s = total_s if found else 0.0
            notices += _missing(linear)
    if not channels and refused is None:
        refused = _short(used_s)
    if refused is not None:
        return Outcome("noise", "", {}, warnings=tuple(notices), refused=refused), None
    notices += _judged(channels)
    noise = PodNoise(tuple(channels), rate_hz, used_s, total_s, temp_c, floor, tuple(notices))
    details: dict[str, float | str] = {"used_s": used_s, "total_s": total_s, "rate_hz": rate_hz}
    return Outcome("noise", "", {}, warnings=tuple(notices), details=details), noise


def _unfit(block: Block, part: StillPart, used_s: float, total_s: float) -> Notice | None:
    if float(block.clipped.mean()) > MOST_CLIPPED:
        return Notice(
            "NOISE_CLIPPED",
            "An accelerometer axis stands at the end of its range: there it shows no noise. Lay "
            "the pod another way round, or use a wider range.",
        )
    if total_s >= SHORTEST_S and part.moved_s > (1.0 - LEAST_STILL) * total_s:
        return Notice(
            "NOISE_NOT_STILL",
            f"The pod was not at rest for {part.moved_s:.0f} of {total_s:.0f} s. Lay it on "
            "something heavy that stands on the floor, touch nothing, and measure again.",
        )
    return _short(used_s) if used_s < SHORTEST_S else None


def _short(used_s: float) -> Notice:
    return Notice(
        "NOISE_RECORD_SHORT",
        f"Only {used_s:.1f} s can be used; it takes {SHORTEST_S:.0f} s at least, some minutes for "
        "bias instability.",
    )


def _motion(block: Block, still: StillPart, parts: Parts) -> Iterator[ChannelNoise]:
    accelerometer, gyro = accelerometer_sheet(parts.accelerometer), gyro_sheet(parts.gyro)
    rows = [("a", "g", block.accel_g, accelerometer.part, accelerometer.noise_ug * 1e-6)]
    named = [plain(parts.accelerometer)]
    if block.gyro_dps is not None:
        rows.append(("g", "deg/s", block.gyro_dps, gyro.part, gyro.noise_dps))
        named.append(plain(parts.gyro))
    for (letter, unit, values, part, density), name in zip(rows, named, strict=True):
        own = bool(name) and plain(part) == name
        for axis, at in enumerate("xyz"):
            series = on_grid(values[:, axis], still.good, block.lost_before, still.piece)
            yield channel_noise(
                letter + at,
                unit,
                series,
                block.rate_hz,
                part if own else "",
                density if own else None,
            )


def _lengths(linear: LinearBlock, steps_mm: Sequence[float]) -> Iterator[ChannelNoise]:
    for column in range(linear.linear_mm.shape[1]):
        step_mm = steps_mm[column] if column < len(steps_mm) else 0.0
        values = linear.linear_mm[:, column]
        good = np.zeros(len(linear), dtype=np.bool_)
        for rest in find_linear_rests(linear, column + 1, step_mm):
            good[rest.first : rest.end] = True
        good &= np.isfinite(values)
        if float(good.sum()) / linear.rate_hz >= SHORTEST_S:
            series = on_grid(values, good, linear.lost_before, linear.stretch)
            yield channel_noise(f"linear{column + 1}", "mm", series, linear.rate_hz)


def _missing(block: Block | LinearBlock) -> Iterator[Notice]:
    lost = int(block.lost_before[1:][np.diff(block.stretch) == 0].sum())
    if lost:
        yield Notice(
            "NOISE_SAMPLES_LOST",
            f"{lost} samples are missing. Means that lack more than a twentieth of theirs are "
            "left out; nothing is put in their place.",
        )
    breaks = int(block.stretch[-1] - block.stretch[0])
    if breaks:
        yield Notice(
            "NOISE_RECORD_BROKEN",
            f"{breaks} restart{'s' * (breaks > 1)} of the pod or gap{'s' * (breaks > 1)} longer "
            "than 0.25 s: no mean reaches across, so long averaging times are known less well.",
        )


def _temperature(block: Block, good: BoolArray) -> float | None:
    if block.temp_c is None:
        return None
    read = block.temp_c[good & np.isfinite(block.temp_c)]
    return float(read.mean()) if read.size else None


def _judged(channels: Sequence[ChannelNoise]) -> Iterator[Notice]:
    def names(verdicts: tuple[str, ...]) -> str:
        return ", ".join(c.name for c in channels if c.verdict in verdicts)

    if hidden := names(("hidden",)):
        yield Notice(
            "NOISE_HIDDEN",
            f"The readings of {hidden} scatter by less than half their smallest step: what is seen "
            "is the step, not the noise, and averaging does not get below it.",
        )
    if loud := names(("above", "far above")):
        yield Notice(
            "NOISE_ABOVE_SHEET",
            f"{loud}: more than 1.5 times the data sheet's noise. A floor that shakes, a loose "
            "part, a noisy supply, a low-pass wider than half the rate, or another part than "
            "the pod names.",
        )
    falling = ", ".join(c.name for c in channels if c.figures and c.figures.best_is_bound)
    if falling:
        yield Notice(
            "NOISE_STILL_FALLING",
            f"The deviation of {falling} still falls at the longest averaging time: bias "
            "instability and best averaging time are bounds. A record four times as long shows "
            "more.",
        )
