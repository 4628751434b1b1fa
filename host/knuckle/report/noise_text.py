"""A pod's noise in words and figures, from the record that the store keeps."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from knuckle.report.figures import decimals_for, number

WIDTH: Final = 78
_SHOWN: Final = {"g": ("ug", 1e6), "deg/s": ("mdeg/s", 1e3), "mm": ("um", 1e3)}
"""Units in which noise reads well."""
_VERDICTS: Final = {
    "hidden": "below one step of the reading",
    "far above": "FAR ABOVE its data sheet",
    "above": "above its data sheet",
    "as stated": "as its data sheet says",
    "below": "quieter than its data sheet says",
    "not compared": "not compared: the pod names no part with a data sheet here",
}


def noise_lines(record: Mapping[str, Any]) -> Iterator[str]:
    """Yield a record of noise as lines of at most 78 columns.

    Parameters
    ----------
    record : mapping
        As `PodNoise.to_json` gives it.
    """
    warm = "" if record["temp_c"] is None else f", {record['temp_c']:.1f} C"
    yield (
        f"Noise of pod {record['pod'] or 'without identity'}: "
        f"{_span(record['used_s'])} still of {_span(record['total_s'])}, "
        f"{record['rate_hz']:g} samples/s{warm}"
    )
    yield ""
    yield "             noise density   data   bias            random walk     best"
    yield "              per sqrt(Hz)  sheet   instability     per sqrt(s)     over"
    for channel in record["channels"]:
        yield _row(channel)
    yield "  (± one sigma; < is a bound at 95 %; best over: averaging time of least noise)"
    yield ""
    for unit in _SHOWN:
        yield from _judged([c for c in record["channels"] if c["unit"] == unit])
    yield from _lengths(record["channels"])
    floor = record["rests"]
    if floor is not None:
        gyro = "" if floor["gyro"] is None else f", {floor['gyro']['between'] ** 0.5:.2g} deg/s"
        yield from _wrapped(
            f"Means over {floor['size'] / floor['rate_hz']:.2g} s scatter by "
            f"{1000.0 * floor['accel']['between'] ** 0.5:.2g} mg{gyro} (all axes together): "
            "once kept, the finding of rests starts from there with this pod at this rate."
        )


def _row(channel: Mapping[str, Any]) -> str:
    unit, factor = _SHOWN[channel["unit"]]
    name = channel["channel"].removeprefix("linear")
    name = name if name != channel["channel"] else channel["channel"]
    label = channel["channel"] if len(channel["channel"]) < 4 else f"lin{name}"
    head = f"{label:<4} {unit:<6}"
    if channel["white_noise"] is None and channel["bias_instability"] is None:
        if not channel["step"]:
            return f"{head} none seen: all readings are equal"
        step = _digits(factor * channel["step"], 3)
        return f"{head} none seen; steps of {step} {unit}"
    sheet = channel["data_sheet_density"]
    stated = "-" if sheet is None else _digits(factor * sheet, 3)
    best = f"{'> ' if channel['best_is_bound'] else ''}{_span(channel['best_averaging_s'])}"
    return (
        f"{head} {_estimate(channel['white_noise'], factor):>15} {stated:>5}   "
        f"{_estimate(channel['bias_instability'], factor):<15} "
        f"{_estimate(channel['random_walk'], factor):<16}{best}"
    ).rstrip()


def _estimate(told: Mapping[str, Any] | None, factor: float) -> str:
    if told is None:
        return "not white"
    value = factor * told["value"]
    if told["at_most"]:
        return f"< {_digits(value, 2)}"
    u = told["standard_uncertainty"]
    if u is None:
        return _digits(value, 3)
    places = decimals_for(factor * u)
    return f"{number(value, places)} ± {number(factor * u, places)}"


def _digits(value: float, count: int) -> str:
    """Return a number to so many digits, never with an exponent."""
    if value <= 0.0:
        return "0"
    return number(value, max(0, count - 1 - math.floor(math.log10(value))))


def _judged(channels: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Say for each sensor how it compares with its data sheet."""
    for verdict, words in _VERDICTS.items():
        those = [c for c in channels if c["verdict"] == verdict]
        if not those:
            continue
        names = ", ".join(c["channel"] for c in those)
        part = f" ({those[0]['part']})" if those[0]["part"] else ""
        ratios = [
            c["white_noise"]["value"] / c["data_sheet_density"]
            for c in those
            if c["white_noise"] and c["data_sheet_density"]
        ]
        by = ""
        if ratios:
            low, high = number(min(ratios), 2), number(max(ratios), 2)
            by = f": {low if low == high else f'{low} to {high}'} times its density"
        yield from _wrapped(f"{names}{part}: {words}{by}.")
    either = [c["channel"] for c in channels if c["instability_or_walk"]]
    if either:
        yield from _wrapped(
            f"{', '.join(either)}: the curve flattens or rises, but the record is too short to "
            "tell bias instability from a random walk."
        )


def _lengths(channels: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    """Say how long a record is needed for which figure."""
    white = [c["record_for_white_s"] for c in channels if c["record_for_white_s"] is not None]
    known = [c for c in channels if c["record_for_lowest_s"] is not None]
    if white:
        yield from _wrapped(f"White noise is known to 2 % from {_span(max(white))} on.")
    settled = [c["record_for_lowest_s"] for c in known if not c["best_is_bound"]]
    falling = [c["record_for_lowest_s"] for c in known if c["best_is_bound"]]
    if settled:
        yield from _wrapped(
            "Bias instability and best averaging time are known to 20 % from a record of "
            f"{_span(max(settled))} on."
        )
    if falling:
        names = ", ".join(c["channel"] for c in known if c["best_is_bound"])
        yield from _wrapped(
            f"For those of {names} an unbroken record of more than {_span(max(falling))} is "
            "needed, and a random walk shows later still."
        )


def list_lines(rows: Sequence[tuple[int, Mapping[str, Any]]]) -> Iterator[str]:
    """Yield a list of kept records: number and record of each."""
    yield "  no  made (UTC)        pod               rate/Hz   still    white noise x, y, z"
    for kept, record in rows:
        accel = [
            f"{1e6 * c['white_noise']['value']:.0f}"
            for c in record["channels"]
            if c["unit"] == "g" and c["white_noise"]
        ]
        white = f"{', '.join(accel)} ug/sqrt(Hz)" if accel else "-"
        yield (
            f"{kept:>4}  {record['date'][:16]:<16}  {record['pod']:<16}  "
            f"{record['rate_hz']:>7g}  {_span(record['used_s']):>6}    {white}"
        )


def _span(seconds: float) -> str:
    if seconds >= 3600.0:
        return f"{seconds / 3600.0:.1f} h"
    if seconds >= 100.0:
        return f"{seconds / 60.0:.1f} min"
    return f"{seconds:.3g} s"


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent="    ")
