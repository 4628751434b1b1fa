"""A sweep of both front wheels at once: two links, one guide, one run with two streams.

As in `measurement`, the results are computed from the stored bytes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from knuckle.errors import KnuckleError, UsageError
from knuckle.links.contract import Link
from knuckle.model.guidance import Shown
from knuckle.model.result import Outcome
from knuckle.model.wheel import Wheel
from knuckle.run.calibrations import calibrations_of
from knuckle.run.captured_pair import CapturedPair
from knuckle.run.events import Ended, LinkDown, PodSeen, RestEnded, RunEvent
from knuckle.run.guide_pair import PairGuide
from knuckle.run.guide_sweep import SweepGuide
from knuckle.run.loop import RunLoop
from knuckle.run.measurement import PATIENCE_S, Report
from knuckle.run.method_rests import RestsMethod, Task
from knuckle.run.noise_kept import floors_of, library_of
from knuckle.run.pair_outcome import BOTH_WHEELS, pair_outcome, swept_of
from knuckle.run.podsession import FloorsOf
from knuckle.run.readings import CalibrateBlock
from knuckle.run.to_the_end import to_the_end
from knuckle.run.view import LinkWatch, LiveView, View
from knuckle.run.zeros import zeros_of
from knuckle.store.database import Store
from knuckle.store.rows import RunState
from knuckle.store.wheel_facts import by_wheel
from knuckle.wire.messages import Cue


def pair_measurement(
    tasks: Mapping[Wheel, Task],
    links: Mapping[Wheel, Link],
    view: View,
    store: Store,
    facts: Mapping[str, Any],
) -> PairMeasurement:
    """Return the measurement, not yet begun.

    Parameters
    ----------
    tasks, links : mapping of Wheel
        Of both front wheels.
    view : View
    store : Store
        Open for writing.
    facts : mapping
        Of the run as a whole; those of the tasks are each pod's own.
    """
    kept = store.calibrations()
    floors = library_of(store)

    def method(wheel: Wheel) -> RestsMethod:
        link = links[wheel]
        return RestsMethod(
            tasks[wheel],
            floors=floors,
            calibrations=calibrations_of(kept),
            now=lambda: link.clock.utc(link.clock.now_s()),
            say=lambda line: view.say(f"{wheel}: {line}"),
            zeros=zeros_of(store),
        )

    return PairMeasurement(
        {wheel: method(wheel) for wheel in BOTH_WHEELS},
        {wheel: links[wheel] for wheel in BOTH_WHEELS},
        view,
        store,
        facts,
        floors_of=floors_of(floors),
    )


class PairMeasurement:
    """One live sweep with a pod on each front wheel.

    Parameters
    ----------
    methods, links : mapping of Wheel
        In the order of the streams; links not yet open.
    view : View
    store : Store
        Open for writing.
    facts : mapping
        Of the run as a whole.
    floors_of : callable
        From a pod as seen to its noise as kept.
    """

    def __init__(
        self,
        methods: Mapping[Wheel, RestsMethod],
        links: Mapping[Wheel, Link],
        view: View,
        store: Store,
        facts: Mapping[str, Any],
        *,
        floors_of: FloorsOf = lambda seen: (),
    ) -> None:
        self.report: Report | None = None
        self._methods = methods
        self._links = links
        self._view = view
        self._floors_of = floors_of
        self._guide = PairGuide({wheel: SweepGuide(wheel, both=True) for wheel in methods})
        self._watches = {wheel: LinkWatch() for wheel in methods}
        self._seen: dict[Wheel, bytes] = {}
        self._ended: dict[Wheel, KnuckleError | None] = {}
        self._captured = CapturedPair(store, methods, links, facts)

    async def carry_out(self) -> Report:
        """Guide, capture, measure.

        Cancelled, it measures what is there, keeps all that in `report`, and is cancelled.

        Raises
        ------
        KnuckleError
            If a pod cannot be reached or started, or the store fails.
        """
        return await to_the_end(
            self._follow,
            lambda: any(error is not None for error in self._ended.values()),
            self._concluded,
            lambda: self._captured.finish(RunState.INTERRUPTED, {"complete": False}),
        )

    async def _follow(self) -> None:
        rate_hz = next(iter(self._methods.values())).rate_hz
        async with RunLoop(
            self._links,
            raw_sink=self._captured.take,
            rate_hz=rate_hz,
            calibration_of=self._calibration_of,
            floors_of=self._floors_of,
        ) as loop:
            async for event in loop.events():
                cues = self._take(event)
                if isinstance(event, RestEnded):
                    cues += self._guide.confirm(event.wheel, loop.rests(event.wheel))
                await self._give(loop, cues)
                if self._guide.finished:
                    return
                if self._guide.passed_s > PATIENCE_S:
                    minutes = PATIENCE_S / 60.0
                    self._view.say(f"Not finished in {minutes:.0f} minutes: giving up.")
                    return

    def _calibration_of(self, seen: PodSeen) -> CalibrateBlock | None:
        return self._methods[seen.wheel].calibration_of(seen)

    async def _give(self, loop: RunLoop, cues: list[Cue]) -> None:
        for cue in cues:
            self._view.sound(cue)
            for wheel in self._methods:
                await loop.cue(wheel, cue)
        for line in self._guide.remarks():
            self._view.say(line)
        self._view.show(self._live())

    def _take(self, event: RunEvent) -> list[Cue]:
        for line in self._watches[event.wheel].take(event):
            self._view.say(f"{event.wheel}: {line}")
        if isinstance(event, PodSeen):
            self._met(event)
        self._methods[event.wheel].take(event)
        if isinstance(event, LinkDown):
            self._captured.save()
        if isinstance(event, Ended):
            self._ended[event.wheel] = event.error
        return self._guide.take(event)

    def _met(self, seen: PodSeen) -> None:
        self._captured.met(seen)
        self._seen[seen.wheel] = seen.identity
        if len(self._seen) == 2 and len(set(self._seen.values())) == 1 and any(seen.identity):
            raise UsageError(
                f"Both links lead to one pod, {seen.identity.hex()}.",
                "It is connected twice, by cable and by radio say, or two pods share an identity.",
                "Name two pods; `knuckle pods` lists them.",
            )

    def _live(self) -> LiveView:
        wheel = self._guide.wheel
        other = next(each for each in self._methods if each is not wheel)
        steer_deg, camber_deg = self._guide.steer_deg(other), self._guide.camber_deg(other)
        figures = [
            Shown(f"{other} {caption}", f"{value:.{places}f}", "deg")
            for caption, value, places in (("steer", steer_deg, 1), ("camber", camber_deg, 2))
            if value is not None
        ]
        return LiveView(
            "pair",
            wheel,
            self._guide.guidance,
            self._guide.camber_deg(wheel),
            self._guide.steer_deg(wheel),
            self._watches[wheel].state,
            self._guide.passed_s,
            also=tuple(figures),
            other_links=(self._watches[other].state,),
        )

    def _concluded(self, state: RunState) -> Report:
        self.report = self._conclude(state)
        return self.report

    def _conclude(self, state: RunState) -> Report:
        """Measure from the stored bytes, and close the run."""
        captured, complete = self._captured, self._guide.finished
        ended = next((error for error in self._ended.values() if error is not None), None)
        if captured.run is None:
            return Report(None, state, (), ended=ended, complete=complete)
        decoded = captured.decoded()
        found = {wheel: self._methods[wheel].conclude(decoded[wheel]) for wheel in self._methods}
        single = {wheel: each.outcomes[0] for wheel, each in found.items() if each.outcomes}
        outcomes: list[Outcome] = list(single.values())
        if len(single) == len(self._methods):
            outcomes.append(
                pair_outcome(
                    *(
                        swept_of(single[wheel], decoded[wheel], found[wheel].facts)
                        for wheel in BOTH_WHEELS
                    )
                )
            )
        for outcome in outcomes:
            captured.add(outcome)
        refused = not outcomes or any(outcome.refused is not None for outcome in outcomes)
        if state is RunState.FINISHED and refused:
            state = RunState.REFUSED
        own = by_wheel({wheel: each.facts for wheel, each in found.items()})
        captured.finish(state, {"complete": complete, **own})
        notices = tuple(
            f"{wheel}: {notice}" for wheel, each in found.items() for notice in each.notices
        )
        return Report(captured.run, state, tuple(outcomes), notices, ended, complete)
