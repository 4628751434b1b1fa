"""Reading a pod's settings and changing its name or baud rate."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Final

from knuckle.errors import KnuckleError, PodError
from knuckle.run.exchange import Reply, Request
from knuckle.run.identity import NO_IDENTITY, read_settings, write_settings
from knuckle.wire.messages import Hello
from knuckle.wire.settings import SettingsRecord, is_blank

BAUDS: Final = (9600, 19200, 38400, 57600, 115200)
"""What the firmware offers; all are known to serial modules and adapters."""


@dataclass(frozen=True, slots=True)
class PodSettings:
    """What a pod keeps, before and after.

    Attributes
    ----------
    hello : Hello
        As the pod introduced itself.
    before : SettingsRecord or None
        None where the settings were blank.
    now : SettingsRecord or None
        What the pod holds now.
    """

    hello: Hello
    before: SettingsRecord | None
    now: SettingsRecord | None


def change_settings(
    hello: Hello, name: str | None, baud: int | None, new_identity: Callable[[], bytes]
) -> Generator[Request, Reply, PodSettings]:
    """Read the settings; write name and baud rate where given; read them back.

    A pod without identity gets one with the first writing. Calibration and identity stay.

    Yields
    ------
    Request
        To be sent; the reply is sent back into the generator.

    Raises
    ------
    PodError
        If the settings are damaged, do not take the new values, or read back otherwise.
    KnuckleError
        If the pod does not answer.
    """
    data = yield from read_settings()
    if isinstance(data, KnuckleError):
        raise data
    before = None if is_blank(data) else SettingsRecord.from_bytes(data)
    if name is None and baud is None:
        return PodSettings(hello, before, before)
    wanted = before if before is not None else SettingsRecord()
    if wanted.identity == NO_IDENTITY:
        identity = hello.identity if hello.identity != NO_IDENTITY else new_identity()
        wanted = dataclasses.replace(wanted, identity=identity)
    if name is not None:
        wanted = dataclasses.replace(wanted, name=name)
    if baud is not None:
        wanted = dataclasses.replace(wanted, baud=baud)
    yield from written_and_read_back(wanted)
    return PodSettings(hello, before, wanted)


def written_and_read_back(wanted: SettingsRecord) -> Generator[Request, Reply, None]:
    """Write a whole record, and read it back.

    Yields
    ------
    Request
        To be sent; the reply is sent back into the generator.

    Raises
    ------
    PodError
        If it does not take the new values, or reads back otherwise.
    KnuckleError
        If the pod does not answer.
    """
    failed = yield from write_settings(wanted)
    if failed is not None:
        raise failed
    data = yield from read_settings()
    if isinstance(data, KnuckleError):
        raise data
    if data != wanted.to_bytes():
        raise PodError(
            "The pod's settings read back otherwise than they were written.",
            "Its memory is at fault, or another program wrote at the same time.",
            "Try once more; if it stays so, the pod's chip is worn out.",
        )
