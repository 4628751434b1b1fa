"""A CSV log read into a block; what is wrong is named by line and column."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, Final, NamedTuple

import numpy as np

from knuckle.errors import RecordingError
from knuckle.model.block import LONGEST_BRIDGED_GAP_S, Block, FloatArray
from knuckle.model.linear import LinearBlock, linear_rows
from knuckle.wire.columns import (
    ACCEL,
    GYRO,
    TEMPERATURE,
    TIME_MS,
    TIME_S,
    Header,
    linear_names,
    other_unit,
)
from knuckle.wire.fullscale import flat_top, stated_range_g
from knuckle.wire.logrows import EXPECTED_HEADER, LONGEST_LINE, Log, take
from knuckle.wire.samples import CLIPPED_FROM

PIECE_BYTES: Final = 1 << 20

_BOM = b"\xef\xbb\xbf"
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_MOST_LOST = 2**31


class CsvLog(NamedTuple):
    """What a CSV log holds."""

    block: Block | None
    """Times as in the file. `rate_hz` is one over the mean of those steps between which
    nothing is missing; what is missing follows from the median step. None without
    accelerometer columns."""
    linear: LinearBlock | None
    """The linear columns; None without any."""
    linear_names: tuple[str, ...]
    facts: dict[str, str]
    """The ``# key=value`` lines."""
    notices: list[str]
    """What was left out, for people."""


def read_csv(path: Path | str) -> tuple[Block, dict[str, str], list[str]]:
    """Read a CSV log with accelerometer columns.

    Returns
    -------
    block, facts, notices
        As of `read_log`.

    Raises
    ------
    RecordingError
        As `read_log`, and if there is no accelerometer.
    """
    log = read_log(path)
    if log.block is None:
        raise RecordingError(
            f"{Path(path).name} has no accelerometer columns: it holds lengths only.",
            "Its header names linear columns alone.",
            f"Camber and sweep need {', '.join(ACCEL)}; lengths serve `knuckle toe` and "
            "`knuckle linear`.",
        )
    return log.block, log.facts, log.notices


def read_log(path: Path | str) -> CsvLog:
    """Read a CSV log as docs/protocol.md describes it.

    Parameters
    ----------
    path : Path or str
        UTF-8, with or without byte order mark; lines end in LF or CR LF.

    Raises
    ------
    RecordingError
        If the file cannot be read or does not follow the format.
    """
    log = Log(Path(path))
    try:
        with log.path.open("rb") as file:
            for first_line, piece, is_last in _pieces(log, file):
                take(log, first_line, piece, is_last)
    except OSError as error:
        raise RecordingError(
            f"{log.path} cannot be read: {error.strerror or error}.",
            "",
            "Check the name and the permissions of the file.",
        ) from error
    block, linear = _blocks(log)
    names = () if log.header is None else linear_names(log.header.names)
    return CsvLog(block, linear, names, log.facts, log.notices)


def _pieces(log: Log, file: BinaryIO) -> Iterator[tuple[int, bytes, bool]]:
    """Yield (number of the first line, whole lines, whether the last line is unfinished)."""
    line = 1
    rest = file.read(PIECE_BYTES)
    if not rest:
        raise RecordingError(
            f"{log.path.name} is empty.",
            "Nothing was recorded, or the logger was not closed.",
            "Record again.",
        )
    if rest.startswith(_UTF16) or b"\0" in rest:
        cause = "It was saved as UTF-16." if rest.startswith(_UTF16) else "It is a binary file."
        raise RecordingError(
            f"{log.path.name} is not a text file.", cause, "Save it as CSV in UTF-8."
        )
    rest = rest.removeprefix(_BOM)
    while True:
        end = rest.rfind(b"\n") + 1
        if len(rest) - end > LONGEST_LINE:
            raise log.fault(
                line + rest.count(b"\n"),
                0,
                f"longer than {LONGEST_LINE} bytes",
                "A log has one line a sample.",
            )
        if end:
            yield line, rest[:end].replace(b"\r\n", b"\n"), False
            line += rest.count(b"\n")
        more = file.read(PIECE_BYTES)
        rest = rest[end:] + more
        if not more:
            break
    if rest:
        yield line, rest, True


def _joined(
    log: Log, header: Header, count: int, groups: tuple[tuple[str, ...], ...]
) -> list[FloatArray | None]:
    """Join the parts, a group of columns an array; each part is let go once it is copied."""
    places = [
        [header.names.index(name) for name in group if name in header.names] for group in groups
    ]
    joined = [np.empty((count, len(found))) if found else None for found in places]
    end = count
    while log.parts:
        part = log.parts.pop()
        first = end - part.shape[0]
        for array, found in zip(joined, places, strict=True):
            if array is not None:
                array[first:end] = part[:, found]
        end = first
    return joined


def _check_gravity(log: Log, accel_g: FloatArray) -> None:
    """Refuse readings that are plainly in another unit than the header says."""
    typical = float(np.median(np.sqrt(np.einsum("ij,ij->i", accel_g, accel_g))))
    unit = other_unit(typical)
    if unit is not None:
        raise RecordingError(
            f"{log.path.name}, columns {', '.join(ACCEL)}: the readings are typically "
            f"{typical:.4g} long, where a wheel that stands reads 1 g.",
            f"They seem to be in {unit}.",
            "Convert them to g.",
        )


def _blocks(log: Log) -> tuple[Block | None, LinearBlock | None]:
    header = log.header
    if header is None:
        raise RecordingError(
            f"{log.path.name} has no header line.",
            "",
            f"Add one, such as {EXPECTED_HEADER}, as the first line.",
        )
    count = sum(part.shape[0] for part in log.parts)
    if count < 2:
        held = "one sample" if count else "no samples"
        raise RecordingError(
            f"{log.path.name} has {held} under its header.",
            "Nothing was recorded, or the logger was not closed.",
            "Record again.",
        )

    time, accel_g, gyro_dps, temp_c, linear_mm = _joined(
        log,
        header,
        count,
        ((TIME_S, TIME_MS), ACCEL, GYRO, (TEMPERATURE,), linear_names(header.names)),
    )
    assert time is not None
    if accel_g is not None:
        _check_gravity(log, accel_g)
    t_s = time[:, 0] if TIME_S in header.names else time[:, 0] / 1000.0
    steps = np.diff(t_s)
    # The lower median: of an even number of steps no step that nobody took.
    middle = (count - 2) // 2
    median = float(np.partition(steps, middle)[middle])
    missing = np.minimum(np.maximum(np.rint(steps / median) - 1, 0), _MOST_LOST)
    lost_before = np.zeros(count, dtype=np.int64)
    lost_before[1:] = missing
    breaks = np.zeros(count, dtype=np.int64)
    breaks[1:] = (steps > LONGEST_BRIDGED_GAP_S) & (missing > 0)
    stretch = np.cumsum(breaks)
    rate_hz = 1.0 / float(np.mean(steps[missing == 0]))
    linear = None
    if linear_mm is not None and not np.isnan(linear_mm).any():
        linear = LinearBlock(t_s, linear_mm, lost_before, stretch, rate_hz)
    elif linear_mm is not None:
        linear = linear_rows(t_s, linear_mm, lost_before, stretch, rate_hz)
    if accel_g is None:
        return None, linear
    full_scale_g = stated_range_g(log.facts)
    clipped = flat_top(accel_g)
    if full_scale_g is not None:
        clipped |= np.any(np.abs(accel_g) >= CLIPPED_FROM * full_scale_g, axis=1)
    block = Block(
        t_s=t_s,
        accel_g=accel_g,
        gyro_dps=gyro_dps,
        temp_c=None if temp_c is None else temp_c[:, 0],
        linear_mm=linear_mm,
        lost_before=lost_before,
        stretch=stretch,
        clipped=clipped,
        rate_hz=rate_hz,
    )
    return block, linear
