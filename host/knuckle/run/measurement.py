"""A live measurement from start to end: link, guide, view, store, result.

The result is computed from the stored bytes, by the same way as `knuckle analyze` goes, so
that live and replayed figures agree to the last digit.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from knuckle.errors import KnuckleError
from knuckle.links.contract import Link
from knuckle.model.result import Outcome
from knuckle.model.wheel import Wheel
from knuckle.run.captured import Captured
from knuckle.run.events import Ended, LinkDown, PodSeen, RestEnded, RunEvent
from knuckle.run.guide import Guide
from knuckle.run.loop import RunLoop
from knuckle.run.method import Method
from knuckle.run.podsession import FloorsOf
from knuckle.run.to_the_end import to_the_end
from knuckle.run.view import LinkWatch, LiveView, View
from knuckle.store.database import Store
from knuckle.store.recording import decode
from knuckle.store.rows import RunState
from knuckle.wire.messages import Cue

PATIENCE_S: Final = 900.0
"""Pod time without end after which a measurement gives up on its operator."""


@dataclass(frozen=True, slots=True)
class Report:
    """What has come of a measurement.

    Attributes
    ----------
    run : int or None
        In the store; None if not a byte came.
    state : RunState
    outcomes : tuple of Outcome
        One for each wheel that could be tried; refused ones among them.
    notices : tuple of str
        What was left out in reading.
    ended : KnuckleError or None
        Why the link ended before its time.
    """

    run: int | None
    state: RunState
    outcomes: tuple[Outcome, ...]
    notices: tuple[str, ...] = ()
    ended: KnuckleError | None = None
    complete: bool = True
    """Whether the guide had all it asked for."""


class Measurement:
    """One live measurement with one pod.

    Parameters
    ----------
    method : Method
        What is measured, and how.
    link : Link
        Not yet open.
    guide : Guide
    view : View
    store : Store
        Open for writing.
    wheel_now : callable
        The wheel that the pod is on, for the view.
    stream_wheel : Wheel or None
        As the stream is stored.
    floors_of : callable, optional
        From the pod as seen to its noise as kept; the method must then measure from it as well.
    patience_s : float
        Pod time without end after which it gives up.
    between : callable, optional
        Awaited after each event was shown; returns cues. What it waits for, a typed line say,
        holds up the guide, but no byte on its way into the store.
    """

    def __init__(
        self,
        method: Method,
        link: Link,
        guide: Guide,
        view: View,
        store: Store,
        *,
        wheel_now: Callable[[], Wheel],
        stream_wheel: Wheel | None,
        floors_of: FloorsOf = lambda seen: (),
        patience_s: float = PATIENCE_S,
        between: Callable[[], Awaitable[list[Cue]]] | None = None,
    ) -> None:
        self.report: Report | None = None
        self._method = method
        self._link = link
        self._guide = guide
        self._view = view
        self._wheel_now = wheel_now
        self._floors_of = floors_of
        self._patience_s = patience_s
        self._between = between
        self._watch = LinkWatch()
        self._ended: KnuckleError | None = None
        wheel = None if stream_wheel is None else stream_wheel.value
        self._captured = Captured(store, method, wheel, link)

    async def carry_out(self) -> Report:
        """Guide, capture, measure.

        Cancelled, it measures what is there, keeps all that in `report`, and is cancelled.

        Raises
        ------
        KnuckleError
            If the pod cannot be reached or started, or the store fails.
        """
        return await to_the_end(
            self._follow,
            lambda: self._ended is not None,
            self._concluded,
            lambda: self._captured.finish(RunState.INTERRUPTED, {"complete": False}),
        )

    def keep(self, facts: Mapping[str, Any]) -> None:
        """Keep facts with the run now: they survive the program."""
        self._captured.keep(facts)

    async def _follow(self) -> None:
        wheel = self._method.wheel
        async with RunLoop(
            {wheel: self._link},
            raw_sink=self._captured.take,
            rate_hz=self._method.rate_hz,
            calibration_of=self._method.calibration_of,
            floors_of=self._floors_of,
        ) as loop:
            async for event in loop.events():
                cues = self._take(event)
                if isinstance(event, RestEnded):
                    cues += self._guide.confirm(loop.rests(wheel))
                await self._give(loop, cues)
                if self._between is not None and (later := await self._between()):
                    await self._give(loop, later)
                if self._guide.finished:
                    return
                if self._guide.passed_s > self._patience_s:
                    minutes = self._patience_s / 60.0
                    self._view.say(f"Not finished in {minutes:.0f} minutes: giving up.")
                    return

    async def _give(self, loop: RunLoop, cues: list[Cue]) -> None:
        for cue in cues:
            self._view.sound(cue)
            await loop.cue(self._method.wheel, cue)
        for line in self._guide.remarks():
            self._view.say(line)
        self._view.show(self._live())

    def _take(self, event: RunEvent) -> list[Cue]:
        for line in self._watch.take(event):
            self._view.say(line)
        if isinstance(event, PodSeen):
            self._captured.met(event)
        self._method.take(event)
        if isinstance(event, LinkDown):
            self._captured.save()
        if isinstance(event, Ended):
            self._ended = event.error
        return self._guide.take(event)

    def _live(self) -> LiveView:
        return LiveView(
            self._method.measure,
            self._wheel_now(),
            self._guide.guidance,
            self._guide.camber_deg,
            self._guide.steer_deg,
            self._watch.state,
            self._guide.passed_s,
            self._guide.figure,
        )

    def _concluded(self, state: RunState) -> Report:
        self.report = self._conclude(state)
        return self.report

    def _conclude(self, state: RunState) -> Report:
        """Measure from the stored bytes, and close the run."""
        captured, complete = self._captured, self._guide.finished
        if captured.run is None:
            return Report(None, state, (), ended=self._ended, complete=complete)
        found = self._method.conclude(decode(captured.pieces()))
        for outcome in found.outcomes:
            captured.add(outcome)
        if state is RunState.FINISHED and (
            not found.outcomes or any(outcome.refused is not None for outcome in found.outcomes)
        ):
            state = RunState.REFUSED
        facts: dict[str, Any] = {"complete": complete, **found.facts}
        captured.finish(state, facts)
        return Report(captured.run, state, found.outcomes, found.notices, self._ended, complete)
