"""Reading a pod's settings, and giving it an identity if it has none."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Generator
from typing import Final

from knuckle.errors import KnuckleError, PodError
from knuckle.run.exchange import Reply, Request
from knuckle.wire.commands import settings_read, settings_write
from knuckle.wire.messages import Command, Hello, SettingsData
from knuckle.wire.settings import RECORD_LENGTH, SettingsRecord, is_blank

PIECE: Final = 64
"""Bytes of the settings record asked for, or written, at once."""
NO_IDENTITY: Final = bytes(8)

Steps = Generator[Request, Reply, "tuple[SettingsRecord | None, str]"]


def learn_settings(hello: Hello, new_identity: Callable[[], bytes]) -> Steps:
    """Read the settings; write 64 random bits once if the pod has no identity.

    A record that cannot be read is written over only if it is blank: a damaged one may hold a
    calibration that can still be saved.

    Yields
    ------
    Request
        To be sent; the reply is sent back into the generator.

    Returns
    -------
    SettingsRecord or None
        What the pod holds now.
    str
        Why there is none, in words; else empty.
    """
    data = yield from read_settings()
    if isinstance(data, KnuckleError):
        return None, str(data)
    record: SettingsRecord | None = None
    try:
        record = SettingsRecord.from_bytes(data)
    except PodError as error:
        if not is_blank(data):
            return None, str(error)
    if record is not None and record.identity != NO_IDENTITY:
        return record, ""
    if hello.identity != NO_IDENTITY:
        return record, "" if record is not None else "The pod's settings are blank."
    fresh = record if record is not None else SettingsRecord()
    fresh = dataclasses.replace(fresh, identity=new_identity())
    failed = yield from write_settings(fresh)
    if failed is not None:
        return record, str(failed)
    # What counts is what the pod says it holds: a replay then yields the same identity.
    data = yield from read_settings()
    if isinstance(data, KnuckleError):
        return record, str(data)
    try:
        return SettingsRecord.from_bytes(data), ""
    except PodError as error:
        return record, str(error)


def write_settings(record: SettingsRecord) -> Generator[Request, Reply, KnuckleError | None]:
    """Write a whole record, piece by piece; return why it failed, or None.

    Raises
    ------
    PodError
        If the record cannot hold its values.
    """
    written = record.to_bytes()
    for start in range(0, len(written), PIECE):
        payload = settings_write(start, written[start : start + PIECE])
        reply = yield Request(Command.SETTINGS_WRITE, payload)
        if isinstance(reply, KnuckleError):
            return reply
    return None


def read_settings() -> Generator[Request, Reply, bytes | KnuckleError]:
    """Read the whole record, piece by piece; return its bytes, or why they could not be had."""
    data = bytearray()
    while len(data) < RECORD_LENGTH:
        length = min(PIECE, RECORD_LENGTH - len(data))
        reply = yield Request(Command.SETTINGS_READ, settings_read(len(data), length))
        if isinstance(reply, KnuckleError):
            return reply
        if not isinstance(reply, SettingsData) or reply.offset != len(data) or not reply.data:
            return PodError("The pod's answer to SETTINGS_READ does not fit the question.")
        data += reply.data
    return bytes(data)
