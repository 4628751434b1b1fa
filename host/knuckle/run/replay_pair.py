"""A capture with a pod on each front wheel, measured again: both wheels and the pair."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from knuckle.analysis.request import Request
from knuckle.errors import UsageError
from knuckle.model.result import Outcome
from knuckle.run.pair_outcome import BOTH_WHEELS, pair_outcome, swept_of
from knuckle.run.remeasure import measure_recording
from knuckle.run.replay import Recording, read_recording
from knuckle.store.arrivals import Arrivals
from knuckle.store.capture import CaptureHeader, is_capture, read_capture
from knuckle.store.recording import Decoded, decode
from knuckle.store.wheel_facts import of_wheel


@dataclass(frozen=True)
class ReadPair:
    """What a capture holds of the two wheels, left and right.

    Attributes
    ----------
    recordings : tuple of Recording
    decoded : tuple of Decoded
        With clocks, for the common time.
    facts : tuple of dict
        The run's, as those of each pod.
    """

    recordings: tuple[Recording, ...]
    decoded: tuple[Decoded, ...]
    facts: tuple[dict[str, Any], ...]


def read_pair(path: Path, *, no_spin: bool = False, no_zero: bool = False) -> ReadPair:
    """Read a capture with a pod on each front wheel.

    Parameters
    ----------
    path : Path
    no_spin, no_zero : bool
        Do without the wheel-turn runs, the zeros, that the run used.

    Raises
    ------
    RecordingError
        If it cannot be read or holds no samples of one of them.
    UsageError
        If it is no capture, or not of both front wheels.
    """
    if not is_capture(path):
        raise UsageError(
            f"{path} is no raw capture.",
            "The pair is measured from both pods' bytes, and a CSV log holds one pod.",
            "Write the run with `knuckle export RUN --as capture`.",
        )
    recordings, decoded, facts = [], [], []
    with read_capture(path) as capture:
        header = capture.header
    streams = {row.wheel: number for number, row in enumerate(header.streams)}
    missing = [wheel for wheel in BOTH_WHEELS if wheel.value not in streams]
    if missing:
        raise UsageError(
            f"{path} holds no pod on {' or '.join(wheel.value for wheel in missing)}.",
            "The pair needs a pod on LF and one on RF in one run.",
            "Sweep with --left-pod and --right-pod, or measure the wheels that there are.",
        )
    for wheel in BOTH_WHEELS:
        stream = streams[wheel.value]
        recording = read_recording(path, stream)
        recordings.append(
            replace(
                recording,
                mount=None if no_spin else recording.mount,
                zero=None if no_zero else recording.zero,
            )
        )
        decoded.append(_decoded(path, stream))
        facts.append(of_wheel(header.facts, wheel.value))
    return ReadPair(tuple(recordings), tuple(decoded), tuple(facts))


def measure_pair(read: ReadPair, requests: tuple[Request, Request]) -> tuple[Outcome, ...]:
    """Return both wheels' outcomes and the pair's.

    Parameters
    ----------
    read : ReadPair
    requests : tuple of Request
        Left and right.
    """
    singles = [
        measure_recording("sweep", recording, request)
        for recording, request in zip(read.recordings, requests, strict=True)
    ]
    left, right = (
        swept_of(outcome, decoded, facts)
        for outcome, decoded, facts in zip(singles, read.decoded, read.facts, strict=True)
    )
    return (*singles, pair_outcome(left, right))


def _decoded(path: Path, stream: int) -> Decoded:
    """Decode a stream with its clock, as `decode_run` does of a stored run."""
    with read_capture(path) as capture:
        header = capture.header
        begin_s = min((chunk.arrival_s for chunk in capture), default=0.0)
    arrivals = Arrivals(_zero(header, begin_s))
    with read_capture(path) as capture:
        own = (chunk for chunk in capture if chunk.stream == stream)
        decoded = decode(arrivals.pieces(own), arrivals)
    return replace(decoded, clock=arrivals.clock(decoded.block))


def _zero(header: CaptureHeader, begin_s: float) -> datetime | None:
    try:
        started = datetime.fromisoformat(header.started_utc)
    except ValueError:
        return None
    return started.astimezone(UTC) - timedelta(seconds=begin_s)
