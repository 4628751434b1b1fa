"""A run's samples, results and raw bytes as files of their own."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

from knuckle.errors import RecordingError, UsageError
from knuckle.model.block import Block, FloatArray
from knuckle.report.run_json import detail_to_json
from knuckle.store.capture import CAPTURE_SUFFIX, CapturedStream, CaptureWriter
from knuckle.store.database import Store
from knuckle.store.rows import RunDetail
from knuckle.wire.columns import ACCEL, GYRO, TEMPERATURE, TIME_S

if TYPE_CHECKING:
    import pandas as pd

ROWS_TOGETHER: Final = 10_000
FORMATS: Final = {
    "csv": ".csv",
    "json": ".json",
    "capture": CAPTURE_SUFFIX,
    "parquet": ".parquet",
}
"""What a run can be exported as, with the file's suffix."""

Progress = Callable[[float], None]


def columns_of(block: Block) -> dict[str, FloatArray]:
    """Return a block's readings by the column names of the text format, units included."""
    columns: dict[str, FloatArray] = {TIME_S: block.t_s}
    columns.update(zip(ACCEL, block.accel_g.T, strict=True))
    if block.gyro_dps is not None:
        columns.update(zip(GYRO, block.gyro_dps.T, strict=True))
    if block.temp_c is not None:
        columns[TEMPERATURE] = block.temp_c
    if block.linear_mm is not None:
        for number, values in enumerate(block.linear_mm.T, 1):
            columns["linear_mm" if number == 1 else f"linear{number}_mm"] = values
    return columns


def facts_of(detail: RunDetail, stream: int) -> dict[str, str]:
    """Return what a log says of itself in its `# key=value` lines."""
    row = next(row for row in detail.streams if row.stream == stream)
    facts = {
        "run": str(detail.summary.run_id),
        "kind": detail.summary.kind,
        "wheel": row.wheel or "",
        "id": row.identity or "",
        "started_utc": detail.summary.started_utc,
        "program": f"knuckle {detail.summary.program_version}",
        "calibration": "none",
    }
    if row.hello is not None:
        for channel in row.hello["channels"]:
            if channel["kind"] == "accelerometer":
                facts["accelerometer_range_g"] = repr(channel["full_scale"])
                facts["sensor"] = str(channel["sensor"])
    for name in ("scenario", "seed", "brake", "driver"):
        if name in detail.facts:
            facts[name] = str(detail.facts[name])
    return {key: " ".join(value.split()) for key, value in facts.items() if value}


def export_csv(
    block: Block,
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
            lines = [",".join(map(repr, row)) + "\n" for row in rows]
            file.writelines(lines)
            progress(len(lines))


def export_json(detail: RunDetail, path: Path, *, overwrite: bool = False) -> None:
    """Write all that is known of a run, its samples apart."""
    text = json.dumps(detail_to_json(detail), ensure_ascii=False, allow_nan=False, indent=2)
    with new_file(path, overwrite) as part:
        part.write_text(text + "\n", encoding="utf-8")


def export_capture(store: Store, run: int, path: Path, *, overwrite: bool = False) -> None:
    """Write a run's raw bytes, all streams, as a capture file."""
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


def export_parquet(
    block: Block, path: Path, facts: Mapping[str, str], *, overwrite: bool = False
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
            "clipped": block.clipped,
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
