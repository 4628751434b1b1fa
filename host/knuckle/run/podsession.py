"""One pod's session: chunks in; events and bytes to write out. No input or output, no clock.

All time comes from the chunks, so a replayed capture goes through the same states as the
live run did.
"""

from __future__ import annotations

import math
import secrets
from collections.abc import Callable, Generator, Sequence
from typing import Any

from knuckle.errors import KnuckleError, LinkTimeout
from knuckle.links.contract import Chunk
from knuckle.model.wheel import Wheel
from knuckle.rests.noise_floor import KnownFloor
from knuckle.rests.settings import RestSettings
from knuckle.run.attendance import Attendance
from knuckle.run.condition import LinkCondition
from knuckle.run.deadlines import Deadlines, State, another_pod, cannot_take, link_ended
from knuckle.run.events import (
    ButtonPressed,
    CommandFailed,
    LinkDown,
    LinkUp,
    PodReport,
    PodRestarted,
    PodSeen,
    RunEvent,
)
from knuckle.run.exchange import HANDSHAKE_TOKENS, Exchange, OnReply, Reply, Request
from knuckle.run.handshake import start_stream
from knuckle.run.identity import NO_IDENTITY, learn_settings
from knuckle.run.line_judge import LineJudge
from knuckle.run.readings import CalibrateBlock, Readings
from knuckle.wire.commands import encode_command
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.framing import BROKEN_OFF
from knuckle.wire.messages import (
    Button,
    Command,
    Fault,
    Hello,
    Message,
    ResetCause,
    SampleBatch,
    Status,
    TextHeader,
    TextSample,
)
from knuckle.wire.settings import SettingsRecord

CalibrationOf = Callable[[PodSeen], CalibrateBlock | None]
FloorsOf = Callable[[PodSeen], Sequence[KnownFloor]]
STOP_TOKEN = 0
MOST_HELD = 10_000
"""Messages kept back until it is known whose they are and how to read them."""


class PodSession:
    """What is known of one pod, and what goes on with it.

    Parameters
    ----------
    wheel : Wheel
        On which it sits.
    rate_hz : float, optional
        Samples a second to ask for; None leaves the pod as it is.
    calibration_of, floors_of : callable, optional
        From the pod as seen to the function that calibrates its blocks, or None; and to its noise
        as kept, newest first.
    identity : bytes, optional
        The pod to be accepted; any if None.
    new_identity : callable
        Draws the bytes for a pod that has none.
    fit_rate : bool
        Whether to raise the averaging where the link carries too little.
    keep_samples : bool
        Whether `readings.block` shall give all samples at the end.
    """

    def __init__(
        self,
        wheel: Wheel,
        *,
        rate_hz: float | None = None,
        calibration_of: CalibrationOf | None = None,
        floors_of: FloorsOf = lambda seen: (),
        identity: bytes | None = None,
        deadlines: Deadlines | None = None,
        rest_settings: RestSettings | None = None,
        new_identity: Callable[[], bytes] = lambda: secrets.token_bytes(8),
        fit_rate: bool = False,
        keep_samples: bool = False,
    ) -> None:
        self.wheel = wheel
        self.state = State.CLOSED
        self.hello: Hello | None = None
        self.seen: PodSeen | None = None
        self.readings = Readings(wheel, rest_settings=rest_settings, keep=keep_samples)
        self._rate_hz, self._new_identity = rate_hz, new_identity
        self._calibration_of, self._floors_of = calibration_of, floors_of
        self._expected = identity if identity != NO_IDENTITY else None
        self._attendance = Attendance(deadlines if deadlines is not None else Deadlines())
        self._decoder, self._exchange = PodDecoder(), Exchange()
        self._condition, self._lines = LinkCondition(wheel, fits=fit_rate), LineJudge()
        self._events: list[RunEvent] = []
        self._held: list[Message] = []
        self._steps: Generator[Request, Reply, Any] | None = None
        self._now_s, self._asked_s = 0.0, -math.inf
        self._has_streamed = self._was_open = self._samples_came = False
        self._restarts_told = 0

    def opened(self, at_s: float) -> list[RunEvent]:
        """Take note that the link is open (again); what was cut off by its loss is dropped."""
        if self._was_open:
            self._decoder.receive_data(BROKEN_OFF)
        self._was_open = True
        self.state = State.WAITING
        self._now_s = at_s
        self._asked_s = -math.inf
        self._samples_came = False
        self._attendance.opened(at_s)
        return self._told()

    def receive(self, chunk: Chunk) -> list[RunEvent]:
        """Take what arrived.

        Raises
        ------
        LinkTimeout
            If no hello came, or the pod does not answer.
        LinkWrongDevice
            If what answers is no pod, or another pod.
        PodError
            If the pod refuses to start.
        """
        self._now_s = chunk.arrival_s
        samples: list[Message] = []
        if chunk.data:
            self._decoder.receive_data(chunk.data)
            for message in self._decoder.events():
                self._take(message, samples)
        self._push(samples)
        if chunk.data:
            self._attendance.bytes_came(chunk.arrival_s)
            self._condition.arrived(len(chunk.data))
            if self.state is State.STREAMING:
                self._events += self._condition.report(
                    self._now_s, self._decoder.counts, self.hello, self._exchange
                )
        self._exchange.pass_time(self._now_s)
        self._judge_attendance()
        return self._told()

    def lost(self, at_s: float, reason: KnuckleError) -> list[RunEvent]:
        """Take note that the link is gone."""
        self._now_s = max(self._now_s, at_s)
        self.state = State.CLOSED
        self._steps = None
        self._held = self._held if self.seen is None else []  # whose they were was never told
        self._exchange.fail_all(reason)
        self._go_down(reason)
        return self._told()

    def finish(self, at_s: float) -> list[RunEvent]:
        """End the session: nothing more will come."""
        self._now_s = max(self._now_s, at_s)
        self.state = State.CLOSED
        self._steps = None
        self._exchange.fail_all(link_ended())
        self._release_held()
        self._events += self.readings.finish(self._now_s)
        return self._told()

    def take_outgoing(self) -> bytes:
        """Return the bytes to write now."""
        return self._exchange.take_outgoing()

    def command(self, request: Request, on_reply: OnReply) -> None:
        """Send a command; `on_reply` is called once, with the answer or an error."""
        if self.state is not State.STREAMING or self.hello is None:
            on_reply(cannot_take(request.command, self.state, text_pod=self._is_text_pod))
        else:
            self._exchange.send(request, self._now_s, on_reply)

    def tell(self, request: Request) -> bool:
        """Send a command whose failure is an event; False if the pod cannot take it now."""
        if self.state not in (State.STARTING, State.STREAMING) or self.hello is None:
            return False

        def on_reply(reply: Reply) -> None:
            if isinstance(reply, KnuckleError):
                self.failed(request.command, reply)

        self._exchange.send(request, self._now_s, on_reply)
        return True

    def failed(self, command: Command, reason: KnuckleError) -> None:
        """Report a command that could not be sent, with the next events."""
        self._events.append(CommandFailed(self.wheel, self._now_s, command, reason))

    def stop_bytes(self) -> bytes:
        """Return the bytes that stop the pod's samples; empty if it was never started."""
        started = self.state in (State.STARTING, State.STREAMING) and self.hello is not None
        return encode_command(Command.STOP, STOP_TOKEN) if started else b""

    @property
    def _is_text_pod(self) -> bool:
        return self.seen is not None and self.seen.hello is None

    @property
    def silent(self) -> LinkTimeout | None:
        """Why an open link counts as down; None while bytes come."""
        return self._attendance.silent

    @property
    def down_since_s(self) -> float | None:
        """Link time from which nothing has come; None while the link is up."""
        return self._attendance.down_since_s

    def _take(self, message: Message, samples: list[Message]) -> None:
        match message:
            case SampleBatch() | TextSample():
                samples.append(message)
                self._samples_came = True
                if self.state is State.WAITING and isinstance(message, SampleBatch):
                    self._ask_who()
            case TextHeader():
                samples.append(message)
                if self.state is State.WAITING:
                    self._text_pod(message)
            case Hello():
                self._push(samples)
                samples.clear()
                samples.append(message)
                self._exchange.take(message)
                self._met(message)
            case Button():
                if message.pressed:
                    self._events.append(ButtonPressed(self.wheel, self._now_s))
            case Status() | Fault():
                self._exchange.take(message)
                self._events.append(PodReport(self.wheel, self._now_s, message))
            case _:
                self._exchange.take(message)

    def _met(self, hello: Hello) -> None:
        if hello.identity != NO_IDENTITY and self._expected not in (None, hello.identity):
            raise another_pod(hello)
        self.hello = hello
        if self.state is State.WAITING and self._attendance.waits_for_sensors(hello, self._now_s):
            return
        if self.state is State.WAITING or (self.state is State.STREAMING and not hello.streaming):
            if self._has_streamed and not hello.streaming:
                self._restarted(hello.reset_cause)
            self._exchange.start_over()
            if self.seen is None:
                self.state = State.LEARNING
                self._go(learn_settings(hello, self._new_identity))
            else:
                self._introduce(hello, self.seen.settings, self.seen.settings_problem)
                self._start(hello)
        elif self.seen is not None and self.seen.has_other_table(hello):
            # Its sensors came or went between its first word and START.
            self._introduce(hello, self.seen.settings, self.seen.settings_problem)

    def _text_pod(self, header: TextHeader) -> None:
        self._introduce(None, None, "A pod of the text format keeps no settings.", header.facts)
        self._streams()

    def _introduce(
        self,
        hello: Hello | None,
        settings: SettingsRecord | None,
        problem: str,
        facts: tuple[tuple[str, str], ...] = (),
    ) -> None:
        again = self.seen is not None
        seen = PodSeen(self.wheel, self._now_s, hello, settings, problem, facts, again)
        self.seen = seen
        self._events.append(seen)
        if seen.identity != NO_IDENTITY:
            self._expected = seen.identity
        if self._calibration_of is not None:
            self.readings.calibrate = self._calibration_of(seen)
        self.readings.floors = self._floors_of(seen)

    def _start(self, hello: Hello) -> None:
        self.state = State.STARTING
        self._go(start_stream(hello, self._rate_hz, self._condition.averaging))

    def _go(self, steps: Generator[Request, Reply, Any]) -> None:
        self._steps = steps
        self._step(None)

    def _step(self, reply: Reply | None) -> None:
        steps = self._steps
        if steps is None:
            return
        try:
            request = next(steps) if reply is None else steps.send(reply)
        except StopIteration as end:
            self._steps = None
            self._steps_done(end.value)
        else:
            self._exchange.send(
                request,
                self._now_s,
                lambda answer: self._step(answer) if self._steps is steps else None,
                HANDSHAKE_TOKENS,
            )

    def _steps_done(self, value: Any) -> None:
        if self.state is State.LEARNING and self.hello is not None:
            self._introduce(self.hello, *value)
            self._start(self.hello)
        elif self.state is State.STARTING:
            # A recording answers nothing; a pod whose samples come has started all the same.
            unanswered = isinstance(value, LinkTimeout) and self._samples_came
            if isinstance(value, KnuckleError) and not unanswered:
                raise value
            self._streams()

    def _streams(self) -> None:
        self.state = State.STREAMING
        self._has_streamed = True
        self._condition.start_over()
        self._come_up()

    def _push(self, messages: list[Message]) -> None:
        if self.seen is None or self.state is State.WAITING:
            self._held += messages[: MOST_HELD - len(self._held)]
        elif self._held:
            messages = [*self._held, *messages]
            self._held = []
            self._read(messages)
        elif messages:
            self._read(messages)

    def _read(self, messages: list[Message]) -> None:
        if self.state in (State.STARTING, State.STREAMING) and any(
            isinstance(message, SampleBatch | TextSample) for message in messages
        ):
            self._come_up()
        events = self.readings.push(messages, self._now_s)
        if self.readings.restarts > self._restarts_told:
            # It streams again by itself, without a hello that says so.
            cause = self.hello.reset_cause if self.hello is not None else ResetCause.UNKNOWN
            self._restarted(cause)
        for event in events:
            self._condition.take(event)
            self._lines.take(event)
        self._events += events

    def _restarted(self, cause: ResetCause) -> None:
        self._restarts_told += 1
        self._condition.restarted = True
        self._samples_came = False
        self._events.append(PodRestarted(self.wheel, self._now_s, cause))

    def _release_held(self) -> None:
        """A recording without a handshake: take the samples as they are."""
        if self.seen is None and self.hello is not None:
            self._introduce(self.hello, None, "The recording holds no settings.")
            self._push([])

    def _ask_who(self) -> None:
        """Ask a pod that streams already who it is: good frames prove that it is one."""
        if self._now_s - self._asked_s >= 1.0:
            self._asked_s = self._now_s
            request = Request(Command.HELLO, attempts=1)
            # The hello speaks for itself, and its deadline is judged.
            self._exchange.send(request, self._now_s, lambda reply: None, HANDSHAKE_TOKENS)

    def _judge_attendance(self) -> None:
        if self.state is State.WAITING:
            overdue = self._attendance.hello_overdue(self._now_s, self._decoder)
            if overdue is not None:
                raise overdue
        elif self.state is State.STREAMING:
            self._lines.judge(self._decoder)
            silent = self._attendance.fell_silent(self._now_s)
            if silent is not None:
                self._go_down(silent)

    def _go_down(self, reason: KnuckleError) -> None:
        if self.seen is not None and self._attendance.goes_down(self._now_s):
            self._events.append(LinkDown(self.wheel, self._now_s, reason))

    def _come_up(self) -> None:
        gap_s = self._attendance.comes_up(self._now_s)
        if gap_s is not None:
            self._events.append(LinkUp(self.wheel, self._now_s, gap_s))

    def _told(self) -> list[RunEvent]:
        events, self._events = self._events, []
        return events
