"""A look over one pod: questions, its own test, then some seconds of samples with it still."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Generator
from dataclasses import dataclass, field

from knuckle.errors import KnuckleError, LinkError, PodError
from knuckle.links.contract import Link
from knuckle.model.block import Block
from knuckle.model.linear import LinearBlock
from knuckle.run.attendance import SENSORS_S, Attendance
from knuckle.run.deadlines import Deadlines, gone_silent
from knuckle.run.exchange import Exchange, Reply, Request
from knuckle.run.fault_book import FaultBook
from knuckle.run.fault_words import FaultWords
from knuckle.run.identity import read_settings
from knuckle.timebase.assembled import Assembled, joined
from knuckle.timebase.assembler import BlockAssembler
from knuckle.wire.decoder import DecodeCounts, PodDecoder
from knuckle.wire.messages import (
    PROTOCOL,
    Command,
    Fault,
    Hello,
    Message,
    SampleBatch,
    SelfTestReply,
    Status,
    TextHeader,
)
from knuckle.wire.settings import SettingsRecord, is_blank

SELF_TEST_S = 4.0
"""How long a pod may take to test its sensors."""
LAST_ANSWER_S = 3.0
"""How long the last questions may take, after the samples."""

RawSink = Callable[[float, bytes], None]


@dataclass
class Evidence:
    """What was seen of a pod.

    Attributes
    ----------
    hello : Hello or None
        The last one; None of a text pod.
    facts : dict of str to str
        Of a text pod.
    settings : SettingsRecord or None
    settings_problem : str
        Why there are none; empty if there are.
    verdicts : tuple of int, or None
        Of the pod's own self-test, one a channel; None if it gave none.
    verdict_problem : str
        Why it gave none.
    faults : dict of (int, str) to FaultWords
        Every fault that stood at any time, by its code and short name.
    before, after : Status or None
        Counters before the samples and after them.
    counts : DecodeCounts
    block : Block or None
    linear : LinearBlock or None
    linear_names : tuple of str
    batches : list of SampleBatch
        Without their readings' meaning: for ticks and sequence.
    arrivals : list of (float, float)
        Pod time of the last sample in a chunk, and its arrival; both in s.
    seconds : float
        How long samples were to be taken.
    started : bool
        Whether the pod was asked for samples and agreed, or sent them unasked.
    """

    seconds: float
    hello: Hello | None = None
    facts: dict[str, str] = field(default_factory=dict)
    settings: SettingsRecord | None = None
    settings_problem: str = ""
    verdicts: tuple[int, ...] | None = None
    verdict_problem: str = ""
    faults: dict[tuple[int, str], FaultWords] = field(default_factory=dict)
    before: Status | None = None
    after: Status | None = None
    counts: DecodeCounts = field(default_factory=DecodeCounts)
    block: Block | None = None
    linear: LinearBlock | None = None
    linear_names: tuple[str, ...] = ()
    batches: list[SampleBatch] = field(default_factory=list)
    arrivals: list[tuple[float, float]] = field(default_factory=list)
    started: bool = False

    def faults_of(self, code: int) -> list[FaultWords]:
        """Return the faults of one code that stood at any time."""
        return [words for (told, _), words in self.faults.items() if told == code]


async def examine(
    link: Link,
    seconds: float,
    *,
    raw_sink: RawSink = lambda _at_s, _data: None,
    deadlines: Deadlines | None = None,
) -> Evidence:
    """Look a pod over; it must lie still meanwhile. It is stopped at the end.

    Parameters
    ----------
    link : Link
        Not yet open; closed at the end.
    seconds : float
        How long to take samples, in the link's time.
    raw_sink : callable, optional
        Takes (arrival_s, data) before anything is decoded.

    Raises
    ------
    LinkError
        If no pod answers, or it is gone before the end.
    PodError
        If it speaks a newer protocol.
    """
    limits = deadlines if deadlines is not None else Deadlines()
    look = _Look(seconds)
    attendance = Attendance(limits)
    async with link, contextlib.aclosing(link.chunks()) as chunks:
        try:
            attendance.opened(link.clock.now_s())
            last_s = link.clock.now_s()
            async for chunk in chunks:
                if chunk.data:
                    raw_sink(chunk.arrival_s, chunk.data)
                    attendance.bytes_came(chunk.arrival_s)
                    last_s = chunk.arrival_s
                look.receive(chunk.arrival_s, chunk.data)
                if look.waits_for_hello:
                    overdue = attendance.hello_overdue(chunk.arrival_s, look.decoder)
                    if overdue is not None:
                        raise overdue
                elif chunk.arrival_s - last_s > limits.hello_s:
                    raise gone_silent(chunk.arrival_s - last_s)
                data = look.exchange.take_outgoing()
                if data:
                    await link.write(data)
                if look.done:
                    break
        finally:
            if look.evidence.hello is not None and look.evidence.started:
                stop = Exchange()
                stop.send(Request(Command.STOP), 0.0, lambda reply: None)
                with contextlib.suppress(LinkError):  # it may be gone, which is what is told
                    await link.write(stop.take_outgoing())
    return look.finished()


class _Look:
    """The examination without any input or output; all time from the chunks."""

    def __init__(self, seconds: float) -> None:
        self.evidence = Evidence(seconds)
        self.exchange = Exchange()
        self.done = False
        self.decoder = PodDecoder()
        self._assembler = BlockAssembler()
        self._book = FaultBook()
        self._parts: list[Assembled] = []
        self._steps: Generator[Request, Reply, None] | None = None
        self._replies: list[Reply] = []
        self._asked_who = False
        self._take_until_s: float | None = None
        self._first_hello_s: float | None = None
        self._begun = False
        self._now_s = 0.0

    @property
    def waits_for_hello(self) -> bool:
        """Whether the pod has not said yet what it is."""
        return self.evidence.hello is None and not self.evidence.started

    def receive(self, at_s: float, data: bytes) -> None:
        """Take what arrived."""
        self._now_s = at_s
        if data:
            self.decoder.receive_data(data)
            messages = list(self.decoder.events())
            for message in messages:
                self._take(message)
            self._assemble(messages)
        self.exchange.pass_time(at_s)
        while self._steps is not None and self._replies:
            self._step(self._replies.pop(0))
        self._judge_time()

    def finished(self) -> Evidence:
        """Return all that was seen."""
        evidence = self.evidence
        whole = joined(self._parts)
        evidence.block, evidence.linear = whole.block, whole.linear
        evidence.linear_names = self._assembler.linear_names
        evidence.counts = self.decoder.counts
        return evidence

    def _take(self, message: Message) -> None:
        self.exchange.take(message)
        evidence = self.evidence
        match message:
            case Hello():
                evidence.hello = message
                self._book.met(message)
                self._meet(message)
            case Fault() | Status():
                self._book.take(message)
                if isinstance(message, Status):
                    evidence.after = message
                for code, words in self._book.by_code:
                    evidence.faults.setdefault((code, words.short), words)
            case TextHeader():
                evidence.facts.update(message.facts)
                if not evidence.started:
                    evidence.started = True
                    self._take_until_s = self._now_s + evidence.seconds
            case SampleBatch() if evidence.hello is None and not self._asked_who:
                self._asked_who = True
                self.exchange.send(Request(Command.HELLO), self._now_s, lambda reply: None)

    def _assemble(self, messages: list[Message]) -> None:
        """Keep the samples that come after START."""
        if not self.evidence.started:
            self._assembler.hello = self.evidence.hello
            return
        found = self._assembler.assemble(messages)
        self.evidence.batches += [m for m in messages if isinstance(m, SampleBatch)]
        self._parts.append(found)
        times = [part.t_s[-1] for part in (found.block, found.linear) if part is not None]
        if times:
            self.evidence.arrivals.append((float(max(times)), self._now_s))

    def _meet(self, hello: Hello) -> None:
        """Begin, but let a pod that has just started find its sensors first."""
        if self._begun:
            return
        if self._first_hello_s is None:
            self._first_hello_s = self._now_s
        if hello.channels or self._now_s - self._first_hello_s >= SENSORS_S:
            self._begun = True
            self._begin(hello)

    def _begin(self, hello: Hello) -> None:
        if hello.protocol != PROTOCOL:
            raise PodError(
                f"The pod speaks protocol {hello.protocol}, this program {PROTOCOL}.",
                "Its firmware is newer than this program.",
                "Update the program.",
            )
        self._steps = self._questions(hello)
        self._step(None)

    def _questions(self, hello: Hello) -> Generator[Request, Reply, None]:
        evidence = self.evidence
        if hello.streaming:
            yield Request(Command.STOP)
        yield from self._read_settings()
        tested = yield Request(Command.SELF_TEST, deadline_s=SELF_TEST_S, attempts=2)
        if isinstance(tested, SelfTestReply):
            evidence.verdicts = tested.verdicts
        elif isinstance(tested, KnuckleError):
            evidence.verdict_problem = tested.what
        before = yield Request(Command.STATUS)
        evidence.before = before if isinstance(before, Status) else None
        if evidence.hello is not None and evidence.hello.channels:
            started = yield Request(Command.START)
            evidence.started = not isinstance(started, KnuckleError)
        self._take_until_s = self._now_s + (evidence.seconds if evidence.started else 0.0)

    def _read_settings(self) -> Generator[Request, Reply, None]:
        data = yield from read_settings()
        if isinstance(data, KnuckleError):
            self.evidence.settings_problem = data.what
            return
        if is_blank(data):
            self.evidence.settings_problem = "They are blank."
            return
        try:
            self.evidence.settings = SettingsRecord.from_bytes(data)
        except PodError as error:
            self.evidence.settings_problem = error.what

    def _step(self, reply: Reply | None) -> None:
        steps = self._steps
        assert steps is not None
        try:
            request = next(steps) if reply is None else steps.send(reply)
        except StopIteration:
            self._steps = None
            return
        self.exchange.send(request, self._now_s, self._replies.append)

    def _judge_time(self) -> None:
        until_s = self._take_until_s
        if until_s is None or self._steps is not None or self._now_s < until_s:
            return
        if self.evidence.hello is None:
            self.done = True
            return
        self._take_until_s = None
        self._steps = self._last_questions()
        self._step(None)

    def _last_questions(self) -> Generator[Request, Reply, None]:
        after = yield Request(Command.STATUS, deadline_s=LAST_ANSWER_S / 3.0)
        if isinstance(after, Status):
            self.evidence.after = after
        self.done = True
