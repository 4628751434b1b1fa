"""Rests and touches of a linear channel in a recording, the same as live to the last digit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from knuckle.analysis.touches import TouchMark, TouchRules, recognised, rest_of
from knuckle.errors import UsageError
from knuckle.model.linear_rest import LinearRest
from knuckle.model.result import Notice
from knuckle.rests.linear import LinearRestDetector
from knuckle.run.replay import LinearRecording

TOUCHES: Final = "touches"
"""The name of the fact that tells what was touched when (pod time)."""


def to_fact(marks: Sequence[TouchMark]) -> list[dict[str, Any]]:
    """Return touches as a run's facts hold them."""
    return [{"of": mark.label, "from_s": mark.from_s, "to_s": mark.to_s} for mark in marks]


def from_facts(facts: Mapping[str, Any]) -> list[TouchMark] | None:
    """Return the touches that a run's or a log's facts name; None if missing or damaged."""
    try:
        rows = facts[TOUCHES]
        if isinstance(rows, str):
            # Of a log: "front 7.4 8.7;rear 11.5 12.7". A length has a unit: "25 mm 7.4 8.7".
            rows = [
                dict(zip(("of", "from_s", "to_s"), row.rsplit(maxsplit=2), strict=True))
                for row in rows.split(";")
            ]
        return [
            TouchMark(str(row["of"]), float(row["from_s"]), float(row["to_s"]), 0.0) for row in rows
        ]
    except (KeyError, TypeError, ValueError):
        return None


def touched(
    recording: LinearRecording,
    *,
    channel: int,
    resolution_mm: float,
    marks: Sequence[TouchMark] | None,
    labels: Sequence[str],
    rules: TouchRules,
) -> tuple[list[tuple[str, LinearRest]], list[Notice]]:
    """Return what was touched, each with its rest, and what must be said of the recording.

    Parameters
    ----------
    marks : sequence of TouchMark or None
        As noted live; None to recognise them.
    labels, rules
        To recognise them by.

    Raises
    ------
    UsageError
        If the recording has no such channel.
    """
    linear = recording.linear
    if not 1 <= channel <= linear.linear_mm.shape[1]:
        raise UsageError(
            f"The recording has no linear channel {channel}.",
            f"It has {linear.linear_mm.shape[1]}: {', '.join(recording.names)}.",
            "Name one of them with --channel.",
        )
    detector = LinearRestDetector(linear.rate_hz, channel, resolution_mm)
    detector.push(linear)
    detector.finish()
    rests = detector.rests()
    if marks is None:
        reading = linear.linear_mm[:, channel - 1]
        marks = recognised(rests, linear.t_s, reading, labels, rules)
    found = [(mark.label, rest_of(mark, rests)) for mark in marks]
    kept = [(label, rest) for label, rest in found if rest is not None]
    notices = []
    if len(kept) < len(found):
        notices.append(
            Notice(
                "MOVED_DURING_REST",
                f"Touches left out because the sensor slid: {len(found) - len(kept)}.",
            )
        )
    lost = int(linear.lost_before.sum())
    if lost:
        notices.append(
            Notice("SAMPLES_LOST", f"Samples lost on the way: {lost}. None was invented.")
        )
    knocks = sum(rest.knocks for _, rest in kept)
    if knocks:
        notices.append(
            Notice("KNOCKS", f"Short knocks during rests, left out of the means: {knocks}.")
        )
    return kept, notices
