"""A run's samples, results and raw bytes as files of their own."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from knuckle.errors import RecordingError, UsageError
from knuckle.model.block import Block, FloatArray
from knuckle.model.linear import LinearBlock
from knuckle.report.run_json import detail_to_json
from knuckle.store.arrivals import SampleClock
from knuckle.store.capture import CAPTURE_SUFFIX, CapturedStream, CaptureWriter
from knuckle.store.database import Store
from knuckle.store.rows import RunDetail
from knuckle.wire.columns import ACCEL, GYRO, TEMPERATURE, TIME_S

if TYPE_CHECKING:
    import pandas as pd

ROWS_TOGETHER: Final = 10_000
Progress = Callable[[float], None]
Working = Callable[[str, float], AbstractContextManager[Progress]]
"""Shows long work by a label and its size, in whatever unit."""


@dataclass(frozen=True)
class Readings:
    """One pod's samples, as they are to be written.

    Attributes
    ----------
    block : Block or LinearBlock
        Corrected by the calibration that the run used, unless raw ones were asked for; lengths
        alone, as the pod sent them, where the run holds nothing else.
    facts : dict of str to str
        Of `log_facts`.
    """

    block: Block | LinearBlock
    facts: dict[str, str]


@dataclass(frozen=True)
class Export:
    """A run to write, and where to.

    Attributes
    ----------
    detail : RunDetail
    path : Path
    overwrite : bool
    readings : callable
        Decodes the samples of the pod asked for.
    calibration : callable
        Returns the JSON object of the calibration that the run used.
    clocks : callable
        Decodes when each stream's samples were taken.
    """

    store: Store
    detail: RunDetail
    path: Path
    overwrite: bool
    working: Working
    readings: Callable[[], Readings]
    calibration: Callable[[], dict[str, Any]]
    clocks: Callable[[], Mapping[int, SampleClock]]


@dataclass(frozen=True)
class Format:
    """What a run can be exported as.

    Attributes
    ----------
    ending : str
        Of the file's name.
    of_one_pod : bool
        Whether it holds one pod's samples only.
    write : callable
    """

    ending: str
    of_one_pod: bool
    write: Callable[[Export], None]


def columns_of(block: Block | LinearBlock) -> dict[str, FloatArray]:
    """Return a block's readings by the column names of the text format, units included."""
    columns: dict[str, FloatArray] = {TIME_S: block.t_s}
    if isinstance(block, Block):
        columns.update(zip(ACCEL, block.accel_g.T, strict=True))
        if block.gyro_dps is not None:
            columns.update(zip(GYRO, block.gyro_dps.T, strict=True))
        if block.temp_c is not None:
            columns[TEMPERATURE] = block.temp_c
    if block.linear_mm is not None:
        for number, values in enumerate(block.linear_mm.T, 1):
            columns["linear_mm" if number == 1 else f"linear{number}_mm"] = values
    return columns


def log_facts(
    detail: RunDetail,
    stream: int,
    calibration: Mapping[str, Any],
    *,
    text_facts: Mapping[str, str] | None = None,
    clock: SampleClock | None = None,
) -> dict[str, str]:
    """Return what a log says of itself in its `# key=value` lines.

    Parameters
    ----------
    calibration : mapping
        By which the readings are corrected, as a run's facts name it (docs/store.md).
    text_facts : mapping, optional
        Of a pod that speaks the text format.
    clock : SampleClock, optional
        Of the stream.
    """
    row = next(row for row in detail.streams if row.stream == stream)
    facts = {
        "run": str(detail.summary.run_id),
        "kind": detail.summary.kind,
        "wheel": row.wheel or "",
        "id": row.identity or "",
        "started_utc": detail.summary.started_utc,
        "program": f"knuckle {detail.summary.program_version}",
        "first_sample_utc": "" if clock is None else clock.first_sample_utc,
        "calibration": "none" if calibration["source"] == "none" else "applied",
        "calibration_date": calibration.get("date", ""),
        "calibration_pod": calibration.get("pod", ""),
        "accelerometer_range_g": (text_facts or {}).get("accelerometer_range_g", ""),
        "linear_sensors": (text_facts or {}).get("linear_sensors", ""),
    }
    if row.hello is not None:
        for channel in row.hello["channels"]:
            if channel["kind"] == "accelerometer":
                facts["accelerometer_range_g"] = repr(channel["full_scale"])
                facts["accelerometer"] = str(channel["sensor"])
            if channel["kind"] == "gyro":
                facts["gyro"] = str(channel["sensor"])
        facts["linear_sensors"] = ",".join(
            str(channel["sensor"])
            for channel in row.hello["channels"]
            if channel["kind"] == "linear"
        )
    facts["touches"] = ";".join(
        f"{touch['of']} {touch['from_s']!r} {touch['to_s']!r}"
        for touch in detail.facts.get("touches", ())
    )
    for name in ("noise_floor", "mount", "seats", "zero"):
        if name in detail.facts:
            facts[name] = json.dumps(detail.facts[name])
    for name in ("scenario", "seed", "brake", "driver"):
        if name in detail.facts:
            facts[name] = str(detail.facts[name])
    return {key: " ".join(value.split()) for key, value in facts.items() if value}


def corrected_range_g(block: Block, range_g: float) -> float:
    """Return the range to state of corrected readings, so that the clipped ones are found by it.

    Parameters
    ----------
    block : Block
        Corrected; `clipped` is that of the readings as they came.
    range_g : float
        Of the readings as they came.
    """
    largest_g = np.max(np.abs(block.accel_g), axis=1)
    clipped = block.clipped & (largest_g > 0.9 * range_g)
    if not clipped.any():
        return float(max(range_g, 1.01 * np.max(largest_g, initial=0.0)))
    return float(np.min(largest_g[clipped]))


def export_csv(
    block: Block | LinearBlock,
    path: Path,
    facts: Mapping[str, str],
    *,
    overwrite: bool = False,
    progress: Progress = lambda _done: None,
) -> None:
    """Write a block as a CSV log, which `analyze` reads; every digit is kept.

    Parameters
    ----------
    facts : mapping of str to str
        Written as `# key=value` lines above the header.
    progress : callable
        Called with the rows done since the last call.
    """
    columns = columns_of(block)
    with new_file(path, overwrite) as part, part.open("w", encoding="utf-8", newline="") as file:
        file.writelines(f"# {key}={value}\n" for key, value in facts.items())
        file.write(",".join(columns) + "\n")
        for first in range(0, len(block), ROWS_TOGETHER):
            # Python's floats print the shortest text that reads back as the same number.
            rows = zip(
                *(values[first : first + ROWS_TOGETHER].tolist() for values in columns.values()),
                strict=True,
            )
            lines = [",".join(map(_cell, row)) + "\n" for row in rows]
            file.writelines(lines)
            progress(len(lines))


def _cell(number: float) -> str:
    """Return a number with every digit; what was not read is an empty cell."""
    return "" if math.isnan(number) else repr(number)


def export_json(content: dict[str, Any], path: Path, *, overwrite: bool = False) -> None:
    """Write a JSON object."""
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, indent=2)
    with new_file(path, overwrite) as part:
        part.write_text(text + "\n", encoding="utf-8")


def export_capture(
    store: Store,
    run: int,
    path: Path,
    *,
    overwrite: bool = False,
    progress: Progress = lambda _done: None,
) -> None:
    """Write a run's raw bytes, all streams, as a capture file.

    Parameters
    ----------
    progress : callable
        Called with the bytes done since the last call.
    """
    detail = store.run(run)
    summary = detail.summary
    with (
        new_file(path, overwrite) as part,
        CaptureWriter(
            part,
            [CapturedStream(row.wheel, row.address) for row in detail.streams],
            program_version=summary.program_version,
            started_utc=summary.started_utc,
            facts={"run": summary.run_id, "kind": summary.kind, **detail.facts},
            overwrite=True,
        ) as writer,
    ):
        for chunk in store.chunks(run):
            writer.write(*chunk)
            progress(len(chunk.data))


def export_parquet(
    block: Block | LinearBlock,
    path: Path,
    facts: Mapping[str, str],
    *,
    overwrite: bool = False,
) -> None:
    """Write a block as Parquet, with the gaps and clipping that a CSV log leaves to its reader.

    Raises
    ------
    UsageError
        If the extra "parquet" is not installed.
    """
    try:
        import pandas as pd
        import pyarrow  # noqa: F401  (pandas finds it by itself; absent is told here)
    except ImportError as error:
        raise UsageError(
            f"Parquet needs the package {error.name}, which is not installed.",
            "It belongs to the extra `parquet`.",
            'Install it with `python -m pip install "knuckle[parquet]"`, or export as csv.',
        ) from error
    frame: pd.DataFrame = pd.DataFrame(
        {
            **columns_of(block),
            "lost_before": block.lost_before,
            "stretch": block.stretch,
            **({"clipped": block.clipped} if isinstance(block, Block) else {}),
        }
    )
    frame.attrs = {**facts, "rate_hz": block.rate_hz}
    with new_file(path, overwrite) as part:
        frame.to_parquet(part, engine="pyarrow", index=False)


@contextmanager
def new_file(path: Path, overwrite: bool) -> Iterator[Path]:
    """Give a file to write beside `path`, which takes its place once it is whole.

    Raises
    ------
    UsageError
        If the file exists already and must not be replaced.
    RecordingError
        If it cannot be written; nothing is left behind then.
    """
    if path.exists() and not overwrite:
        raise UsageError(
            f"The file {path} exists already.",
            "",
            "Choose another name with --out, or --force.",
        )
    part = path.with_name(path.name + ".part")
    try:
        yield part
        part.replace(path)
    except OSError as error:
        raise RecordingError(
            f"The file {path} cannot be written: {error.strerror or error}.",
            "The folder is missing or read-only, or the disk is full.",
            "Choose another place with --out.",
        ) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _csv(job: Export) -> None:
    readings = job.readings()
    with job.working(f"writing {job.path}", len(readings.block)) as progress:
        export_csv(
            readings.block,
            job.path,
            readings.facts,
            overwrite=job.overwrite,
            progress=progress,
        )


def _json(job: Export) -> None:
    content = detail_to_json(job.detail, job.clocks())
    export_json(content, job.path, overwrite=job.overwrite)


def _capture(job: Export) -> None:
    size = sum(row.byte_count for row in job.detail.streams)
    with job.working(f"writing {job.path}", size) as progress:
        export_capture(
            job.store,
            job.detail.summary.run_id,
            job.path,
            overwrite=job.overwrite,
            progress=progress,
        )


def _parquet(job: Export) -> None:
    readings = job.readings()
    export_parquet(readings.block, job.path, readings.facts, overwrite=job.overwrite)


def _calibration(job: Export) -> None:
    export_json(job.calibration(), job.path, overwrite=job.overwrite)


FORMATS: Final = {
    "csv": Format(".csv", True, _csv),
    "json": Format(".json", False, _json),
    "capture": Format(CAPTURE_SUFFIX, False, _capture),
    "parquet": Format(".parquet", True, _parquet),
    "calibration": Format("-calibration.json", True, _calibration),
}
"""What a run can be exported as, by name."""
