"""The plain text format as it streams: header, facts and sample lines, one at a time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from knuckle.wire.columns import (
    Header,
    HeaderFault,
    is_meant_as_header,
    may_be_empty,
    parse_fact,
    parse_header,
)
from knuckle.wire.messages import TextHeader, TextSample

LONGEST_LINE: Final = 1024
"""In bytes. Longer lines are thrown away."""
MOST_FACTS: Final = 64
SHOWN: Final = 60
"""Characters of a line that are shown to people."""

_BOM = b"\xef\xbb\xbf"
_PRINTABLE = bytes(range(0x20, 0x7F)) + b"\t\r\n"


def is_plain(data: bytes | bytearray) -> bool:
    """Return whether all bytes are printable ASCII, tabs or line ends."""
    return not data.translate(None, _PRINTABLE)


@dataclass(slots=True)
class TextCounts:
    """What became of the lines.

    Attributes
    ----------
    text_lines : int
        Header and sample lines that were used.
    bad_lines : int
        Lines that could not be read, after a header was seen; and headers that could not.
    headerless_lines : int
        Sample lines before any header: their columns are not known yet.
    discarded_bytes : int
        Bytes of all lines that came to nothing.
    """

    text_lines: int = 0
    bad_lines: int = 0
    headerless_lines: int = 0
    discarded_bytes: int = 0


class TextLines:
    """Bytes to `TextHeader` and `TextSample`. Bounded, never raises on input.

    Attributes
    ----------
    trouble : str
        What is wrong with the last header or sample line, for people; empty if it was read.
    """

    def __init__(self) -> None:
        self.counts = TextCounts()
        self.trouble = ""
        self._partial = b""
        self._broken = False
        self._header: Header | None = None
        self._facts: dict[str, str] = {}

    def feed(self, data: bytes) -> list[TextHeader | TextSample]:
        """Take bytes in and return what complete lines they made."""
        found: list[TextHeader | TextSample] = []
        *lines, rest = (self._partial + data).split(b"\n")
        for line in lines:
            if self._broken or len(line) > LONGEST_LINE:
                self._broken = False
                self._refuse(line)
                continue
            message = self._line(line)
            if message is not None:
                found.append(message)
        if self._broken or len(rest) > LONGEST_LINE:
            self._broken = True
            self.counts.discarded_bytes += len(rest)
            rest = b""
        self._partial = rest
        return found

    def end(self) -> None:
        """Throw an unfinished line away: the text was broken off.

        What follows up to the next line end is thrown away too: the tail of a sample line
        could pass for a sample.
        """
        if self._partial or self._broken:
            self._refuse(self._partial)
            self._broken = True
        self._partial = b""

    def cut(self) -> None:
        """Take note that the text was broken off, and may go on in the middle of a line."""
        if self._partial:
            self.end()
        self._broken = self._header is not None

    def _refuse(self, line: bytes) -> None:
        self.counts.discarded_bytes += len(line)
        if self._header is not None:
            self.counts.bad_lines += 1

    def _line(self, raw: bytes) -> TextHeader | TextSample | None:
        line = raw.removeprefix(_BOM).strip()
        if not line:
            return None
        first = line[0]
        if first == 0x23:
            self._comment(line)
            return None
        if not is_plain(line):
            self._refuse(raw)
            return None
        if first not in b"+-.0123456789":
            header = self._new_header(line.decode("ascii"))
            if header is not None:
                return header
            if self._header is None:
                # Boot messages look like this: no fault before the first header.
                self._refuse(raw)
                return None
        return self._sample(raw, line)

    def _comment(self, line: bytes) -> None:
        fact = parse_fact(line.decode("utf-8", errors="replace"))
        if fact is not None and (fact[0] in self._facts or len(self._facts) < MOST_FACTS):
            self._facts[fact[0]] = fact[1]

    def _new_header(self, line: str) -> TextHeader | None:
        try:
            header = parse_header(line)
        except HeaderFault as fault:
            if is_meant_as_header(line):
                where = f"column {fault.column}, " if fault.column else ""
                self.trouble = f"{_shown(line)}: {where}{fault.what}. {fault.next_step}"
            return None
        self._header = header
        self.trouble = ""
        self.counts.text_lines += 1
        return TextHeader(header.names, tuple(self._facts.items()), header.ignored)

    def _sample(self, raw: bytes, line: bytes) -> TextSample | None:
        header = self._header
        if header is None:
            self.counts.headerless_lines += 1
            self.counts.discarded_bytes += len(raw)
            return None
        fields = line.split(b",")
        try:
            if len(fields) != header.fields or b"_" in line:
                raise ValueError
            values = tuple([float(fields[place]) for place in header.places])
            if not all(map(math.isfinite, values)):
                raise ValueError
        except ValueError:
            gapped = _with_gaps(header, fields)
            if gapped is None:
                self.trouble = _line_trouble(header, line)
                self._refuse(raw)
                return None
            values = gapped
        self.trouble = ""
        self.counts.text_lines += 1
        return TextSample(values)


def _shown(line: str) -> str:
    return f"'{line}'" if len(line) <= SHOWN else f"'{line[:SHOWN]}...'"


def _line_trouble(header: Header, raw: bytes) -> str:
    line = raw.decode("ascii")
    fields = line.split(",")
    if len(fields) != header.fields:
        comma = " A number has a decimal point, not a comma." if len(fields) > header.fields else ""
        return (
            f"{_shown(line)}: {len(fields)} cells, where the header has {header.fields} columns."
            + comma
        )
    for name, place in zip(header.names, header.places, strict=True):
        cell = fields[place].strip()
        try:
            good = math.isfinite(float(cell)) and "_" not in cell
        except ValueError:
            good = not cell and may_be_empty(name)
        if not good:
            return f"{_shown(line)}: {cell!r} in {name} is no number. Leave such a line out."
    return f"{_shown(line)}: it is no line of numbers."


def _with_gaps(header: Header, fields: list[bytes]) -> tuple[float, ...] | None:
    """Read a line in which cells that may be empty are; NaN for these, None if it is wrong."""
    if len(fields) != header.fields or any(b"_" in field for field in fields):
        return None
    values: list[float] = []
    for name, place in zip(header.names, header.places, strict=True):
        field = fields[place].strip()
        if not field and may_be_empty(name):
            values.append(math.nan)
            continue
        try:
            number = float(field)
        except ValueError:
            return None
        if not math.isfinite(number):
            return None
        values.append(number)
    return tuple(values)
