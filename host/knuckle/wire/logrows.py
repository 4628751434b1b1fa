"""The lines of a CSV log to rows of numbers, strictly.

Clean pieces are parsed by numpy; a piece with anything unusual in it is read line by line,
and only that slow reading decides what is accepted and what an error says.
"""

from __future__ import annotations

import io
import math
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, NoReturn

import numpy as np

from knuckle.errors import RecordingError
from knuckle.model.block import FloatArray
from knuckle.wire.columns import (
    TIME_MS,
    TIME_S,
    Header,
    HeaderFault,
    may_be_empty,
    parse_fact,
    parse_header,
)
from knuckle.wire.fullscale import is_range_fact, range_g

LONGEST_LINE: Final = 1 << 16
EXPECTED_HEADER: Final = "t_s,ax_g,ay_g,az_g,gx_dps,gy_dps,gz_dps,temp_c"

_ADD_HEADER = f"Add one, such as {EXPECTED_HEADER}, as the first line."
_NUMERIC = b"0123456789+-.eE, \n"
_WHOLE = re.compile(r'\s*"?[+-]?\d+"?\s*')
_UNFINISHED = re.compile(r"[+-]?\d*\.?\d*([eE][+-]?)?")


@dataclass(slots=True)
class Log:
    """What has been read of a log.

    Attributes
    ----------
    parts : list of ndarray, shape (rows, known columns)
        Values in the order of `header.names`.
    """

    path: Path
    header: Header | None = None
    header_line: str = ""
    facts: dict[str, str] = field(default_factory=dict)
    notices: list[str] = field(default_factory=list)
    parts: list[FloatArray] = field(default_factory=list)
    last_time: float = -math.inf

    def fault(self, line: int, column: int, what: str, next_step: str = "") -> RecordingError:
        """Return the error for a line and column, both counted from 1 (0: the whole line)."""
        place = f"line {line}"
        if column:
            place += f", column {column}"
        return RecordingError(f"{self.path.name}, {place}: {what}.", "", next_step)


def take(log: Log, line: int, piece: bytes, is_unfinished: bool) -> None:
    """Read the lines of one piece; `line` is the number of its first.

    Raises
    ------
    RecordingError
        Naming line and column, if a line does not follow the format.
    """
    at = 0
    while log.header is None and at < len(piece):
        end = piece.find(b"\n", at) % (len(piece) + 1)
        _before_header(log, line, _decoded(log, line, piece[at:end]))
        at = end + 1
        line += 1
    body = piece[at:] if at else piece
    header = log.header
    if header is None or not body:
        return
    rows = _fast(header, body) if not is_unfinished else None
    if rows is None:
        rows = _slow(log, header, line, body, is_unfinished)
    if rows.shape[0]:
        _check_time(log, header, line, body, rows)
        log.parts.append(rows)


def _decoded(log: Log, line: int, raw: bytes) -> str:
    if len(raw) > LONGEST_LINE:
        raise log.fault(
            line, 0, f"longer than {LONGEST_LINE} bytes", "A log has one line a sample."
        )
    try:
        text = raw.decode("utf-8").strip()
    except UnicodeDecodeError as error:
        what = f"byte {error.start + 1} of the line is not text"
        raise log.fault(line, 0, what, "Save the log in UTF-8.") from error
    if "\r" in text:
        raise log.fault(
            line, 0, "lines end in CR alone", "Save the log with line ends LF or CR LF."
        )
    if not text.startswith("#") and not text.replace("\t", " ").isprintable():
        raise log.fault(line, 0, "control characters", "A log is plain text, one line a sample.")
    return text


def _before_header(log: Log, line: int, text: str) -> None:
    if not text:
        return
    if text.startswith("#"):
        _comment(log, line, text)
        return
    if text[0] in "+-.0123456789":
        raise log.fault(line, 0, "there is no header line before the samples", _ADD_HEADER)
    try:
        log.header = parse_header(text)
    except HeaderFault as fault:
        raise log.fault(line, fault.column, fault.what, fault.next_step) from fault
    log.header_line = text
    if log.header.ignored:
        log.notices.append(f"Columns without a meaning here: {', '.join(log.header.ignored)}.")


def _comment(log: Log, line: int, text: str) -> None:
    fact = parse_fact(text)
    if fact is None:
        return
    key, value = fact
    if is_range_fact(key) and range_g(value) is None:
        raise log.fault(line, 0, f"{key} {value!r} is not a positive number", "Correct it.")
    log.facts[key] = value


def _fast(header: Header, body: bytes) -> FloatArray | None:
    """Return the rows if every character is one of numbers and every line is whole."""
    if body.translate(None, _NUMERIC) or not body.strip():
        return None
    try:
        rows = np.loadtxt(io.BytesIO(body), delimiter=",", comments=None, ndmin=2)
    except ValueError:
        return None
    if rows.shape[1] != header.fields:
        return None
    used = rows[:, header.places]
    return used if np.isfinite(used).all() else None


def _slow(
    log: Log, header: Header, first_line: int, body: bytes, is_unfinished: bool
) -> FloatArray:
    rows: list[list[float]] = []
    for line, raw in enumerate(body.removesuffix(b"\n").split(b"\n"), start=first_line):
        text = _decoded(log, line, raw)
        if not text or text == log.header_line:
            continue
        if text.startswith("#"):
            _comment(log, line, text)
            continue
        fields = text.split(",")
        if is_unfinished and _is_cut_off(header, fields):
            log.notices.append("The last line is cut off and was left out.")
            continue
        if len(fields) != header.fields:
            _wrong_count(log, header, line, fields)
        rows.append([_number(log, header, line, fields, place) for place in header.places])
    return np.array(rows, dtype=np.float64).reshape(-1, len(header.places))


def _is_cut_off(header: Header, fields: list[str]) -> bool:
    if len(fields) < header.fields:
        return True
    last = fields[-1].strip()
    return (
        len(fields) == header.fields
        and _UNFINISHED.fullmatch(last) is not None
        and _finite(last) is None
    )


def _wrong_count(log: Log, header: Header, line: int, fields: list[str]) -> NoReturn:
    if len(fields) > header.fields and all(map(_WHOLE.fullmatch, fields)):
        raise log.fault(
            line,
            0,
            "the numbers seem to have decimal commas",
            "Export with a point as decimal sign and commas between columns.",
        )
    _refuse_header(log, line, fields)
    raise log.fault(
        line,
        min(len(fields), header.fields) + 1,
        f"{len(fields)} columns, but the header has {header.fields}",
        "Every line has one value for each column of the header.",
    )


def _refuse_header(log: Log, line: int, fields: list[str]) -> None:
    try:
        parse_header(",".join(fields))
    except HeaderFault:
        return
    raise log.fault(
        line, 0, "a second header, with other columns", "Split the log where the columns change."
    )


def _finite(text: str) -> float | None:
    """Return the number, None for anything else; Python's own 1_000 is no number here."""
    try:
        number = float(text)
    except ValueError:
        return None
    return number if math.isfinite(number) and "_" not in text else None


def _number(log: Log, header: Header, line: int, fields: list[str], place: int) -> float:
    text = fields[place].strip()
    number = _finite(text)
    if number is not None:
        return number
    name = header.names[header.places.index(place)]
    if not text and may_be_empty(name):
        return math.nan
    _refuse_header(log, line, fields)
    what = f"{text!r} is not a number" if text else "a value is missing"
    next_step = "Correct or delete the line."
    if ";" in text:
        next_step = "Export with commas between columns and a point as decimal sign."
    raise log.fault(line, place + 1, f"{name}: {what}", next_step)


def _check_time(log: Log, header: Header, first_line: int, body: bytes, rows: FloatArray) -> None:
    at = next(i for i, name in enumerate(header.names) if name in (TIME_S, TIME_MS))
    times = rows[:, at]
    previous = np.concatenate(([log.last_time], times[:-1]))
    backward = np.flatnonzero(times <= previous)
    if backward.size:
        row = int(backward[0])
        raise log.fault(
            _line_of_row(log, first_line, body, row),
            header.places[at] + 1,
            f"{header.names[at]} goes from {previous[row]:.12g} to {times[row]:.12g}",
            "Time must rise from line to line: split the log where the logger restarted.",
        )
    log.last_time = float(times[-1])


def _line_of_row(log: Log, first_line: int, body: bytes, row: int) -> int:
    for line, raw in enumerate(body.split(b"\n"), start=first_line):
        text = raw.decode("utf-8", errors="replace").strip()
        if text and not text.startswith("#") and text != log.header_line:
            if row == 0:
                return line
            row -= 1
    return first_line
