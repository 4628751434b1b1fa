"""From stored raw bytes back to a block: what every later analysis of a run starts from."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Final

from knuckle.errors import PodError, RecordingError
from knuckle.model.block import Block, concatenate
from knuckle.model.linear import LinearBlock, concatenate_linear
from knuckle.store.arrivals import Arrivals, SampleClock, utc_at_zero
from knuckle.store.database import Store
from knuckle.timebase.assembler import BlockAssembler, of_one_averaging
from knuckle.wire.decoder import DecodeCounts, PodDecoder
from knuckle.wire.messages import Hello, Message, SettingsData, TextHeader
from knuckle.wire.settings import SettingsRecord

_TOGETHER: Final = 4096
"""Messages assembled at a time: few enough for the memory, enough for speed."""

Progress = Callable[[float], None]


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
    clock : SampleClock or None
        Of a stored run: when its samples were taken.
    linear : LinearBlock or None
        The linear channels, of all samples that hold any; None if there is none.
    linear_names : tuple of str
        What each column of `linear` is: the sensor by the pod's hello ("potentiometer"), or
        a text pod's column.
    """

    block: Block | None
    counts: DecodeCounts
    hello: Hello | None
    text_facts: dict[str, str]
    settings: SettingsRecord | None = None
    clock: SampleClock | None = None
    linear: LinearBlock | None = None
    linear_names: tuple[str, ...] = ()


def decode(
    pieces: Iterable[bytes],
    arrivals: Arrivals | None = None,
    progress: Progress = lambda _done: None,
) -> Decoded:
    """Decode one stream's bytes, however they are cut, into one block.

    Parameters
    ----------
    pieces : iterable of bytes
        In the order of arrival.
    arrivals : Arrivals, optional
        Told when samples have been assembled, to lay pod time beside the host's.
    progress : callable
        Called with the bytes done since the last call.
    """
    decoder = PodDecoder()
    assembler = BlockAssembler()
    blocks: list[Block] = []
    linear: list[LinearBlock] = []
    waiting: list[Message] = []
    hello: Hello | None = None
    facts: dict[str, str] = {}
    settings: dict[int, bytes] = {}

    def assemble() -> None:
        for together in of_one_averaging(waiting):
            trials = assembler.trials
            found = assembler.assemble(together)
            if assembler.trials > trials:
                blocks.clear()
                linear.clear()
            block = found.block
            if found.linear is not None:
                linear.append(found.linear)
            if block is not None and len(block):
                blocks.append(block)
                if arrivals is not None:
                    arrivals.assembled(block, assembler.restarts)
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
        due = bool(waiting) and arrivals is not None and arrivals.due
        if len(waiting) >= _TOGETHER or due:
            assemble()
        progress(len(piece))
    assemble()
    block = concatenate(blocks) if blocks else None
    return Decoded(
        block,
        decoder.counts,
        hello,
        facts,
        _record(settings),
        linear=concatenate_linear(linear) if linear else None,
        linear_names=assembler.linear_names,
    )


def _record(pieces: dict[int, bytes]) -> SettingsRecord | None:
    """Join the pieces of a settings record; None if there are none or they make no record."""
    try:
        return SettingsRecord.from_bytes(b"".join(pieces[offset] for offset in sorted(pieces)))
    except PodError:
        return None


def decode_run(
    store: Store, run: int, stream: int, progress: Progress = lambda _done: None
) -> Decoded:
    """Decode one stream of a stored run, and lay its pod's time beside UTC.

    Parameters
    ----------
    progress : callable
        Called with the bytes done since the last call.

    Raises
    ------
    UsageError
        If there is no such run.
    RecordingError
        If the run has no such stream.
    """
    detail = store.run(run)
    row = next((row for row in detail.streams if row.stream == stream), None)
    if row is None:
        raise RecordingError(
            f"Run {run} has no stream {stream}.",
            f"It has {len(detail.streams)}, counted from 0.",
            f"See `knuckle show {run}`.",
        )
    arrivals = Arrivals(utc_at_zero(detail))
    pieces = arrivals.pieces(store.chunks(run, stream))
    decoded = decode(pieces, arrivals, progress)
    return replace(decoded, clock=arrivals.clock(decoded.block))


def block_of_run(store: Store, run: int, stream: int) -> Block:
    """Return the samples of one stream of a stored run, decoded from its raw bytes.

    Raises
    ------
    UsageError
        If there is no such run.
    RecordingError
        If the run has no such stream, or there is no sample in it.
    """
    return samples_of(decode_run(store, run, stream), run, stream)


def samples_of(decoded: Decoded, run: int, stream: int) -> Block:
    """Return a run's samples.

    Raises
    ------
    RecordingError
        If there are none.
    """
    if decoded.block is None:
        counts = decoded.counts
        raise RecordingError(
            f"Stream {stream} of run {run} holds no samples.",
            f"{counts.frames} frames and {counts.text_lines} lines of text were read from it.",
            f"See `knuckle show {run}`; the raw bytes can be exported with "
            f"`knuckle export {run} --as capture`.",
        )
    return decoded.block
