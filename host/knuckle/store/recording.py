"""From stored raw bytes back to a block: what every later analysis of a run starts from."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from knuckle.errors import PodError, RecordingError
from knuckle.model.block import Block, concatenate
from knuckle.store.database import Store
from knuckle.timebase.assembler import BlockAssembler
from knuckle.wire.decoder import DecodeCounts, PodDecoder
from knuckle.wire.messages import Hello, Message, SettingsData, TextHeader
from knuckle.wire.settings import SettingsRecord

_TOGETHER: Final = 4096
"""Messages assembled at a time: few enough for the memory, enough for speed."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """What the raw bytes of one stream hold.

    Attributes
    ----------
    block : Block or None
        None if there is no sample.
    counts : DecodeCounts
        Frames and losses.
    hello : Hello or None
        The last one.
    text_facts : dict of str to str
        The `# key=value` lines of a text pod.
    settings : SettingsRecord or None
        The pod's settings, where the host read them during the run.
    """

    block: Block | None
    counts: DecodeCounts
    hello: Hello | None
    text_facts: dict[str, str]
    settings: SettingsRecord | None = None


def decode(pieces: Iterable[bytes]) -> Decoded:
    """Decode one stream's bytes, however they are cut, into one block.

    Parameters
    ----------
    pieces : iterable of bytes
        In the order of arrival.
    """
    decoder = PodDecoder()
    assembler = BlockAssembler()
    blocks: list[Block] = []
    waiting: list[Message] = []
    hello: Hello | None = None
    facts: dict[str, str] = {}
    settings: dict[int, bytes] = {}

    def assemble() -> None:
        block = assembler.push_many(waiting)
        if block is not None and len(block):
            blocks.append(block)
        waiting.clear()

    for piece in pieces:
        decoder.receive_data(piece)
        for message in decoder.events():
            if isinstance(message, Hello):
                hello = message
            elif isinstance(message, TextHeader):
                facts.update(message.facts)
            elif isinstance(message, SettingsData):
                settings[message.offset] = message.data
            waiting.append(message)
        if len(waiting) >= _TOGETHER:
            assemble()
    assemble()
    block = concatenate(blocks) if blocks else None
    return Decoded(block, decoder.counts, hello, facts, _record(settings))


def _record(pieces: dict[int, bytes]) -> SettingsRecord | None:
    """Join the pieces of a settings record; None if there are none or they make no record."""
    try:
        return SettingsRecord.from_bytes(b"".join(pieces[offset] for offset in sorted(pieces)))
    except PodError:
        return None


def decode_run(store: Store, run: int, stream: int) -> Decoded:
    """Decode one stream of a stored run.

    Raises
    ------
    UsageError
        If there is no such run.
    RecordingError
        If the run has no such stream.
    """
    streams = store.run(run).streams
    if not any(row.stream == stream for row in streams):
        raise RecordingError(
            f"Run {run} has no stream {stream}.",
            f"It has {len(streams)}, counted from 0.",
            f"See `knuckle show {run}`.",
        )
    return decode(chunk.data for chunk in store.chunks(run, stream))


def block_of_run(store: Store, run: int, stream: int) -> Block:
    """Return the samples of one stream of a stored run, decoded from its raw bytes.

    Raises
    ------
    UsageError
        If there is no such run.
    RecordingError
        If the run has no such stream, or there is no sample in it.
    """
    decoded = decode_run(store, run, stream)
    if decoded.block is None:
        counts = decoded.counts
        raise RecordingError(
            f"Stream {stream} of run {run} holds no samples.",
            f"{counts.frames} frames and {counts.text_lines} lines of text were read from it.",
            f"See `knuckle show {run}`; the raw bytes can be exported with "
            f"`knuckle export {run} --as capture`.",
        )
    return decoded.block
