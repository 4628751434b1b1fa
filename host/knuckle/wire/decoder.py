"""Bytes from a pod to typed messages, binary frames and text lines alike.

Sans-I/O: `receive_data` stores, `next_event` decodes. What comes out depends on the bytes
alone, never on how they were cut into pieces.

A stretch between two 0x00 is a frame candidate. It is read as text instead when it is too
long for a frame, or fails as one, and looks like text: a text pod sends no 0x00, so one that
line noise made costs no more than its line. Two in a row between lines of text say that the
stream was broken off there (`framing.BROKEN_OFF`). The stream starts as if after a 0x00, and goes
over to text at the first line end.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import Final

from knuckle.wire.codec import decode_message
from knuckle.wire.framing import DELIMITER, LONGEST_STUFFED, FrameFault, decode_frame
from knuckle.wire.messages import Hello, Message, SampleBatch, Unknown
from knuckle.wire.text import TextLines, is_plain

MOST_UNDECODED: Final = 16 * 1024 * 1024
"""Bytes that `receive_data` holds; of more, the oldest are thrown away and counted."""
_STEP = 64 * 1024
_LINE_END = 0x0A
_SEQUENCE_MODULUS = 1 << 16


@dataclass(slots=True)
class DecodeCounts:
    """What became of the bytes.

    Attributes
    ----------
    frames : int
        Good frames, unknown ones included.
    bad_crc, bad_cobs, too_long : int
        Frame candidates that failed, by reason.
    unknown : int
        Good frames of a type this version does not know.
    malformed : int
        Good frames whose payload does not follow its layout.
    lost_frames : int
        Sample frames missing, from the jumps of their sequence.
    text_lines, bad_lines, headerless_lines : int
        See `text.TextCounts`.
    discarded_bytes : int
        Bytes of everything that came to nothing, delimiters aside.
    """

    frames: int = 0
    bad_crc: int = 0
    bad_cobs: int = 0
    too_long: int = 0
    unknown: int = 0
    malformed: int = 0
    lost_frames: int = 0
    text_lines: int = 0
    bad_lines: int = 0
    headerless_lines: int = 0
    discarded_bytes: int = 0


class _Mode(Enum):
    START = "start"
    FRAME = "frame"
    TEXT = "text"


class PodDecoder:
    """Decoder of one pod's stream. Memory is bounded; no input raises."""

    def __init__(self) -> None:
        self._counts = DecodeCounts()
        self._buffer = bytearray()
        self._ready = False
        self._messages: deque[Message] = deque()
        self._mode = _Mode.START
        self._candidate = b""
        self._text = TextLines()
        self._went_over = False
        self._last_sequence: int | None = None

    @property
    def counts(self) -> DecodeCounts:
        """What became of the bytes decoded so far."""
        counts, lines = self._counts, self._text.counts
        counts.text_lines = lines.text_lines
        counts.bad_lines = lines.bad_lines
        counts.headerless_lines = lines.headerless_lines
        return counts

    @property
    def text_trouble(self) -> str:
        """What is wrong with the last line of text that could not be read, for people."""
        return self._text.trouble

    def receive_data(self, data: bytes) -> None:
        """Store bytes, in pieces of any size. Nothing is decoded here."""
        buffer = self._buffer
        buffer += data
        if 0 in data or _LINE_END in data or len(buffer) > LONGEST_STUFFED:
            self._ready = True
            if len(buffer) > MOST_UNDECODED:
                excess = len(buffer) - MOST_UNDECODED
                self._counts.discarded_bytes += excess
                del buffer[:excess]

    def next_event(self) -> Message | None:
        """Return the next message, or None until more bytes are there."""
        messages = self._messages
        if messages:
            return messages.popleft()
        while self._ready:
            self._step()
            if messages:
                return messages.popleft()
        return None

    def events(self) -> Iterator[Message]:
        """Yield messages until more bytes are needed."""
        messages = self._messages
        while messages or self._ready:
            while messages:
                yield messages.popleft()
            if self._ready:
                self._step()

    def _step(self) -> None:
        buffer = self._buffer
        piece = bytes(buffer[:_STEP])
        del buffer[:_STEP]
        self._ready = bool(buffer)
        *ended, rest = piece.split(DELIMITER)
        if ended:
            self._extend(ended[0])
            self._end_candidate()
            for stuffed in ended[1:]:
                if len(stuffed) > LONGEST_STUFFED:
                    self._extend(stuffed)
                    self._end_candidate()
                elif stuffed:
                    self._frame(stuffed)
                elif self._went_over:
                    self._text.cut()
        if rest:
            self._extend(rest)

    def _extend(self, data: bytes) -> None:
        """Add to the candidate that is not ended yet."""
        if self._mode is _Mode.TEXT:
            self._lines(data)
            return
        candidate = self._candidate + data
        overlong = len(candidate) > LONGEST_STUFFED
        if overlong or (self._mode is _Mode.START and _LINE_END in candidate):
            if self._mode is _Mode.FRAME and not is_plain(candidate[: LONGEST_STUFFED + 1]):
                self._counts.too_long += 1
            self._mode = _Mode.TEXT
            self._went_over = True
            self._candidate = b""
            self._lines(candidate)
        else:
            self._candidate = candidate

    def _lines(self, data: bytes) -> None:
        before = self._text.counts.discarded_bytes
        self._messages.extend(self._text.feed(data))
        self._counts.discarded_bytes += self._text.counts.discarded_bytes - before

    def _end_candidate(self) -> None:
        """Handle the delimiter after the candidate."""
        candidate, mode = self._candidate, self._mode
        self._candidate = b""
        self._mode = _Mode.FRAME
        if mode is _Mode.TEXT:
            self._end_lines()
        elif mode is _Mode.FRAME and candidate:
            self._frame(candidate)
        elif mode is _Mode.FRAME and self._went_over:
            self._text.cut()
        elif candidate:
            # A stream joined midway starts with a piece of a frame: no fault of the line.
            body = decode_frame(candidate)
            if isinstance(body, FrameFault):
                self._counts.discarded_bytes += len(candidate)
            else:
                self._message(body)

    def _end_lines(self) -> None:
        before = self._text.counts.discarded_bytes
        self._text.end()
        self._counts.discarded_bytes += self._text.counts.discarded_bytes - before

    def _frame(self, stuffed: bytes) -> None:
        body = decode_frame(stuffed)
        if isinstance(body, bytes):
            self._message(body)
            return
        if _LINE_END in stuffed and is_plain(stuffed):
            self._lines(stuffed)
            self._end_lines()
            return
        counts = self._counts
        counts.discarded_bytes += len(stuffed)
        if body is FrameFault.BAD_CRC:
            counts.bad_crc += 1
        else:
            counts.bad_cobs += 1

    def _message(self, body: bytes) -> None:
        counts = self._counts
        counts.frames += 1
        message = decode_message(body)
        if message is None:
            counts.malformed += 1
            counts.discarded_bytes += len(body)
            return
        if isinstance(message, SampleBatch):
            sequence = message.sequence
            if self._last_sequence is not None:
                missing = (sequence - self._last_sequence - 1) % _SEQUENCE_MODULUS
                # A jump of more than half the range is a step back: the pod started anew.
                if missing < _SEQUENCE_MODULUS // 2:
                    counts.lost_frames += missing
            self._last_sequence = sequence
        elif isinstance(message, Hello):
            if not message.streaming:
                self._last_sequence = None
        elif isinstance(message, Unknown):
            counts.unknown += 1
        self._messages.append(message)
