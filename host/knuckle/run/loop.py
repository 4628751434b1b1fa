"""The run loop: links in, one stream of events out."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import AsyncIterator, Callable, Mapping
from types import TracebackType
from typing import Final, Self

from knuckle.errors import KnuckleError, LinkError, LinkWrongDevice, PodError
from knuckle.links.contract import Link, throughput_is_known
from knuckle.model.block import Block
from knuckle.model.rest import Rest
from knuckle.model.wheel import Wheel
from knuckle.rests.detector import DroppedRest
from knuckle.rests.settings import RestSettings
from knuckle.run import journal
from knuckle.run.deadlines import Deadlines, link_ended
from knuckle.run.events import Ended, RunEvent
from knuckle.run.exchange import Reply, Request
from knuckle.run.pace import Pace
from knuckle.run.podsession import CalibrationOf, FloorsOf, PodSession
from knuckle.wire.commands import cue as cue_payload
from knuckle.wire.framing import BROKEN_OFF
from knuckle.wire.messages import Command, Cue, Message

RawSink = Callable[[int, float, bytes], None]
"""Takes (stream, arrival_s, data) before anything is decoded; empty data: time went by."""

BACK_OFF_S: Final = (0.25, 0.5, 1.0, 2.0)
"""Pauses before each new try; the last one repeats."""
GOOD_BYE_S: Final = 0.5
"""Wall time allowed for a last STOP when the run is broken off."""


class _Line:
    """One link with its session."""

    def __init__(self, stream: int, link: Link, session: PodSession) -> None:
        self.stream = stream
        self.link = link
        self.session = session
        self.ended = False
        self.was_open = False
        self.task: asyncio.Task[None] | None = None


class RunLoop:
    """Reads any number of pods, each on its wheel, and tells what happens.

    Every byte goes to `raw_sink` before it is decoded. Lost links are brought back, as far as
    the link can do that; what was captured stays. Links whose time stands still without a
    reader (simulation, replay) are read only while the consumer waits for the next event or
    for a reply, so that its cues reach a simulated driver at the moment they were given.

    Used as::

        async with RunLoop({Wheel.LF: open_link("sim:")}) as loop:
            async for event in loop.events():
                match event:
                    case RestReady(wheel=wheel, rest=rest):
                        await loop.cue(wheel, Cue.TAKEN)

    Leaving the context, for whatever reason, stops the pods as far as they can be reached,
    closes the links and ends the rests under way.

    Parameters
    ----------
    links : mapping of Wheel to Link
        Not yet open. The order gives the stream numbers, from 0.
    raw_sink : callable, optional
        ``(stream, arrival_s, data)``; what it raises ends the run.
    rate_hz : float, optional
        Samples a second to ask for; None leaves the pods as they are.
    calibration_of : callable, optional
        From `PodSeen` to a function Block -> Block, or to None for no calibration.
    floors_of : callable, optional
        From `PodSeen` to the pod's noise as kept, newest first, for the detector of rests.
    identities : mapping of Wheel to bytes, optional
        Pods to be accepted; any where absent.
    keep_samples : bool
        Whether `block` shall give all samples.
    new_identity : callable
        Draws eight bytes for a pod that has no identity yet.

    Raises
    ------
    LinkError, PodError
        From `events`, if a pod cannot be reached or does not start at the beginning. Later
        the same is told by `LinkDown` and `Ended`.
    """

    def __init__(
        self,
        links: Mapping[Wheel, Link],
        *,
        raw_sink: RawSink | None = None,
        rate_hz: float | None = None,
        calibration_of: CalibrationOf | None = None,
        floors_of: FloorsOf = lambda seen: (),
        identities: Mapping[Wheel, bytes] | None = None,
        deadlines: Deadlines | None = None,
        rest_settings: RestSettings | None = None,
        keep_samples: bool = False,
        new_identity: Callable[[], bytes] = lambda: secrets.token_bytes(8),
    ) -> None:
        self._deadlines = deadlines if deadlines is not None else Deadlines()
        self._raw_sink = raw_sink
        self._lines = {
            wheel: _Line(
                stream,
                link,
                PodSession(
                    wheel,
                    rate_hz=rate_hz,
                    calibration_of=calibration_of,
                    floors_of=floors_of,
                    identity=(identities or {}).get(wheel),
                    deadlines=self._deadlines,
                    rest_settings=rest_settings,
                    new_identity=new_identity,
                    fit_rate=not throughput_is_known(link),
                    keep_samples=keep_samples,
                ),
            )
            for stream, (wheel, link) in enumerate(links.items())
        }
        self._told: asyncio.Queue[RunEvent | BaseException | None] = asyncio.Queue()
        self._pace = Pace([line.link.clock for line in self._lines.values()])
        self._stopping = False

    async def __aenter__(self) -> Self:
        for wheel, line in self._lines.items():
            journal.LOGGER.info("%s: run begins: %s", wheel.value, line.link.description())
            line.task = asyncio.create_task(self._follow(line), name=f"knuckle {wheel}")
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        tasks = [line.task for line in self._lines.values() if line.task is not None]
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for line in self._lines.values():
            line.session.finish(line.link.clock.now_s())

    async def events(self) -> AsyncIterator[RunEvent]:
        """Yield what happens on all links, until the last has ended.

        Raises
        ------
        KnuckleError
            What ended the run: see the class.
        """
        while True:
            if self._told.empty():
                if all(line.ended for line in self._lines.values()):
                    return
                self._pace.reader_waits()
            told = await self._told.get()
            if told is None:
                continue
            if isinstance(told, BaseException):
                raise told
            yield told

    async def cue(self, wheel: Wheel, pattern: Cue) -> bool:
        """Play a cue on a pod; a failure is told by a `CommandFailed` event.

        Returns
        -------
        bool
            False if the pod cannot take cues now: it is down, or of the text format.
        """
        line = self._lines[wheel]
        sent = line.session.tell(Request(Command.CUE, cue_payload(pattern), attempts=2))
        if sent:
            try:
                await self._write(line)
            except LinkError as error:
                line.session.failed(Command.CUE, error)
        return sent

    async def command(
        self, wheel: Wheel, command: Command, payload: bytes = b"", *, deadline_s: float = 1.0
    ) -> Message:
        """Send a command and return the pod's answer.

        Parameters
        ----------
        deadline_s : float
            In the link's time, for each of three attempts.

        Raises
        ------
        PodError
            If the pod refuses it.
        LinkError
            If it cannot be sent, or no answer comes in time.
        """
        line = self._lines[wheel]
        answer: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()

        def on_reply(reply: Reply) -> None:
            if not answer.done():
                answer.set_result(reply)

        line.session.command(Request(command, payload, deadline_s), on_reply)
        with self._pace.awaiting_reply():
            await self._write(line)
            reply = await answer
        if isinstance(reply, KnuckleError):
            raise reply
        return reply

    def stop(self) -> None:
        """End the run in order: the pods are stopped, each link's `Ended` follows."""
        self._stopping = True
        self._pace.reader_waits()

    def stream(self, wheel: Wheel) -> int:
        """Return the number under which the wheel's bytes go to the raw sink."""
        return self._lines[wheel].stream

    def rests(self, wheel: Wheel) -> list[Rest]:
        """Return the rests so far, as they are judged now; final after the end."""
        return self._lines[wheel].session.readings.rests()

    def reading(self, wheel: Wheel) -> Rest | None:
        """Return the rest that goes on, as far as it goes, or None."""
        return self._lines[wheel].session.readings.reading()

    def dropped(self, wheel: Wheel) -> list[DroppedRest]:
        """Return what looked like a rest and was none, with the reason."""
        return self._lines[wheel].session.readings.dropped()

    def block(self, wheel: Wheel) -> Block | None:
        """Return all samples so far, calibrated; None if there are none or they are not kept."""
        return self._lines[wheel].session.readings.block()

    def linear_names(self, wheel: Wheel) -> tuple[str, ...]:
        """Return what each linear column is: the sensor's name, or a text pod's column."""
        return self._lines[wheel].session.readings.linear_names

    # ---- one link

    async def _follow(self, line: _Line) -> None:
        session, clock = line.session, line.link.clock
        tries = 0
        last_down_s: float | None = None
        try:
            while True:
                try:
                    await self._read(line)
                    self._end(line, None)
                    return
                except (LinkError, PodError) as error:
                    if session.seen is None:
                        raise
                    self._tell(session.lost(clock.now_s(), error))
                    if isinstance(error, LinkWrongDevice):
                        line.link.pass_over()
                    if session.down_since_s != last_down_s:
                        last_down_s, tries = session.down_since_s, 0
                    down_s = clock.now_s() - (session.down_since_s or 0.0)
                    if not line.link.reconnects or down_s > self._deadlines.give_up_s:
                        self._end(line, error)
                        return
                if self._stopping:
                    self._end(line, None)
                    return
                await clock.sleep(BACK_OFF_S[min(tries, len(BACK_OFF_S) - 1)])
                self._pace.moved()
                tries += 1
        except asyncio.CancelledError:
            raise
        except BaseException as error:  # told to the consumer, who alone can act on it
            line.ended = True
            self._told.put_nowait(error)
            reason = error if isinstance(error, KnuckleError) else link_ended()
            session.lost(clock.now_s(), reason)  # a consumer may be waiting for an answer
        finally:
            line.ended = True
            self._pace.ended(clock)
            self._told.put_nowait(None)

    async def _read(self, line: _Line) -> None:
        """Read a link from opening to end."""
        link, session = line.link, line.session
        async with link:
            try:
                if line.was_open and self._raw_sink is not None:
                    self._raw_sink(line.stream, link.clock.now_s(), BROKEN_OFF)
                line.was_open = True
                self._tell(session.opened(link.clock.now_s()))
                async with contextlib.aclosing(link.chunks()) as chunks:
                    while not self._stopping:
                        await self._pace.turn_of(link.clock)
                        try:
                            chunk = await anext(chunks)
                        except StopAsyncIteration:
                            return
                        if self._raw_sink is not None:
                            self._raw_sink(line.stream, chunk.arrival_s, chunk.data)
                        self._tell(session.receive(chunk))
                        await self._write(line)
                        if session.silent is not None and link.reconnects:
                            raise session.silent
            finally:
                await self._say_good_bye(line)

    async def _write(self, line: _Line) -> None:
        data = line.session.take_outgoing()
        if data:
            await line.link.write(data)

    async def _say_good_bye(self, line: _Line) -> None:
        """Stop the pod if it can still be reached."""
        data = line.session.stop_bytes()
        if data:
            # It may be gone already, which is why we leave; what matters has been told.
            with contextlib.suppress(LinkError, TimeoutError):
                await asyncio.wait_for(line.link.write(data), GOOD_BYE_S)

    def _end(self, line: _Line, error: KnuckleError | None) -> None:
        at_s = line.link.clock.now_s()
        line.ended = True
        self._tell([*line.session.finish(at_s), Ended(line.session.wheel, at_s, error)])

    def _tell(self, events: list[RunEvent]) -> None:
        for event in events:
            journal.note(event)
            self._told.put_nowait(event)
        if events:
            self._pace.reader_is_busy()
