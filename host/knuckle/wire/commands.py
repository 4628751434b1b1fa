"""Commands from host to pod: built by the host, taken apart by the (simulated) pod."""

from __future__ import annotations

import struct
from collections import deque
from dataclasses import dataclass
from typing import Final, NamedTuple

from knuckle.wire.framing import DELIMITER, LONGEST_STUFFED, FrameFault, decode_frame, encode_frame
from knuckle.wire.messages import Command, Cue, HostCommand

LONGEST_SETTINGS_PIECE: Final = 128
"""Most bytes of the settings record in one read or write."""

_SET_RATE = struct.Struct("<IH")
_READ = struct.Struct("<HB")
_OFFSET = struct.Struct("<H")


class SetRate(NamedTuple):
    """Payload of SET_RATE; a zero leaves that value as it is."""

    raw_period_ticks: int
    averaging: int


class SettingsRead(NamedTuple):
    """Payload of SETTINGS_READ."""

    offset: int
    length: int


class SettingsWrite(NamedTuple):
    """Payload of SETTINGS_WRITE."""

    offset: int
    data: bytes


def encode_command(command: Command, token: int, payload: bytes = b"") -> bytes:
    """Return a whole frame; the reply carries the same `token` (0 to 255)."""
    return encode_frame(command, bytes((token,)) + payload)


def set_rate(raw_period_ticks: int, averaging: int) -> bytes:
    """Return the payload of SET_RATE; a zero leaves that value as it is."""
    return _SET_RATE.pack(raw_period_ticks, averaging)


def settings_read(offset: int, length: int) -> bytes:
    """Return the payload of SETTINGS_READ, 1 to `LONGEST_SETTINGS_PIECE` bytes."""
    if not 1 <= length <= LONGEST_SETTINGS_PIECE:
        raise ValueError(f"length {length} is not within 1 to {LONGEST_SETTINGS_PIECE}")
    return _READ.pack(offset, length)


def settings_write(offset: int, data: bytes) -> bytes:
    """Return the payload of SETTINGS_WRITE, 1 to `LONGEST_SETTINGS_PIECE` bytes."""
    if not 1 <= len(data) <= LONGEST_SETTINGS_PIECE:
        raise ValueError(f"{len(data)} bytes are not within 1 to {LONGEST_SETTINGS_PIECE}")
    return _OFFSET.pack(offset) + data


def cue(pattern: Cue) -> bytes:
    """Return the payload of CUE."""
    return bytes((pattern,))


def parse_set_rate(payload: bytes) -> SetRate | None:
    """Take a payload of SET_RATE apart; None if its length is wrong."""
    return SetRate._make(_SET_RATE.unpack(payload)) if len(payload) == _SET_RATE.size else None


def parse_settings_read(payload: bytes) -> SettingsRead | None:
    """Take a payload of SETTINGS_READ apart; None if its length is wrong."""
    return SettingsRead._make(_READ.unpack(payload)) if len(payload) == _READ.size else None


def parse_settings_write(payload: bytes) -> SettingsWrite | None:
    """Take a payload of SETTINGS_WRITE apart; None if its length is wrong."""
    data = payload[_OFFSET.size :]
    if not 1 <= len(data) <= LONGEST_SETTINGS_PIECE:
        return None
    return SettingsWrite(_OFFSET.unpack_from(payload)[0], data)


def parse_cue(payload: bytes) -> Cue | None:
    """Take a payload of CUE apart; None if its length or pattern is wrong."""
    try:
        return Cue(payload[0]) if len(payload) == 1 else None
    except ValueError:
        return None


@dataclass(slots=True)
class CommandCounts:
    """What a pod received.

    Attributes
    ----------
    frames : int
        Good frames.
    bad_frames : int
        Frames that were too long, or failed their stuffing or CRC.
    malformed : int
        Good frames too short for a command.
    """

    frames: int = 0
    bad_frames: int = 0
    malformed: int = 0


class CommandDecoder:
    """The pod's side: bytes from the host to `HostCommand`. Sans-I/O, bounded, never raises."""

    def __init__(self) -> None:
        self.counts = CommandCounts()
        self._stuffed = bytearray()
        self._overlong = False
        self._commands: deque[HostCommand] = deque()

    def receive_data(self, data: bytes) -> None:
        """Take bytes in, in pieces of any size."""
        pieces = data.split(DELIMITER)
        for piece in pieces[:-1]:
            self._extend(piece)
            self._end_frame()
        self._extend(pieces[-1])

    def next_event(self) -> HostCommand | None:
        """Return the next command, or None until more bytes are there."""
        return self._commands.popleft() if self._commands else None

    def _extend(self, piece: bytes) -> None:
        if self._overlong or len(self._stuffed) + len(piece) > LONGEST_STUFFED:
            self._overlong = True
            self._stuffed.clear()
        else:
            self._stuffed += piece

    def _end_frame(self) -> None:
        stuffed = bytes(self._stuffed)
        self._stuffed.clear()
        if self._overlong:
            self._overlong = False
            self.counts.bad_frames += 1
        elif stuffed:
            body = decode_frame(stuffed)
            if isinstance(body, FrameFault):
                self.counts.bad_frames += 1
            elif len(body) < 2:
                self.counts.malformed += 1
            else:
                self.counts.frames += 1
                self._commands.append(HostCommand(body[0], body[1], body[2:]))
