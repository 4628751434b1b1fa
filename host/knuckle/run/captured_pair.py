"""A live run with several pods on its way into the store: raw bytes of all, on one time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from knuckle.links.contract import Link
from knuckle.model.result import Outcome
from knuckle.model.wheel import Wheel
from knuckle.run.calibrations import identity_of
from knuckle.run.events import PodSeen
from knuckle.run.method import Method
from knuckle.store.database import Store
from knuckle.store.recording import Decoded, decode_run
from knuckle.store.rows import RunState
from knuckle.store.wheel_facts import by_wheel


class CapturedPair:
    """One run with a stream for each pod. It begins with the first byte of any.

    Arrivals of every link are kept on the time of the first one, so that they can be laid side
    by side: each link tells which date and time its own zero stands for.

    Parameters
    ----------
    store : Store
        Open for writing.
    methods : mapping of Wheel to Method
        Their order is that of the streams.
    links : mapping of Wheel to Link
    facts : mapping
        Of the run as a whole.
    """

    def __init__(
        self,
        store: Store,
        methods: Mapping[Wheel, Method],
        links: Mapping[Wheel, Link],
        facts: Mapping[str, Any],
    ) -> None:
        self.run: int | None = None
        self._store = store
        self._methods = methods
        self._links = links
        self._facts = facts
        self._streams = {wheel: stream for stream, wheel in enumerate(methods)}
        first = next(iter(links.values())).clock
        self._first = first
        self._behind_s = [
            (link.clock.utc(0.0) - first.utc(0.0)).total_seconds() for link in links.values()
        ]

    def take(self, stream: int, arrival_s: float, data: bytes) -> None:
        """Keep bytes before anything is decoded; a run begins with the first of them."""
        at_s = arrival_s + self._behind_s[stream]
        if self.run is None:
            if not data:
                return
            method = next(iter(self._methods.values()))
            own = {wheel: each.beforehand() for wheel, each in self._methods.items()}
            links = {wheel: {"link": link.description()} for wheel, link in self._links.items()}
            self.run = self._store.begin_run(
                method.measure,
                [wheel.value for wheel in self._methods],
                facts={**self._facts, **by_wheel(own), **by_wheel(links)},
                addresses=[link.address for link in self._links.values()],
                started_utc=self._first.utc(at_s),
            )
        self._store.add_chunk(self.run, stream, at_s, data)

    def save(self) -> None:
        """Commit what came so far now: nothing may come for a while."""
        if self.run is not None:
            self._store.commit(self.run)

    def met(self, seen: PodSeen) -> None:
        """Keep what a pod says of itself."""
        if self.run is not None:
            self._store.describe_stream(
                self.run,
                self._streams[seen.wheel],
                hello=seen.hello,
                identity=identity_of(seen) or None,
            )

    def decoded(self) -> dict[Wheel, Decoded]:
        """Return what the store holds of each pod, with its clock."""
        assert self.run is not None
        self._store.commit(self.run)
        return {
            wheel: decode_run(self._store, self.run, stream)
            for wheel, stream in self._streams.items()
        }

    def add(self, outcome: Outcome) -> None:
        """Append an outcome to the run."""
        assert self.run is not None
        method = next(iter(self._methods.values()))
        self._store.add_result(self.run, outcome, method=method.how)

    def finish(self, state: RunState, facts: Mapping[str, Any]) -> None:
        """Close the run."""
        if self.run is not None:
            self._store.finish_run(
                self.run, state, facts=facts, ended_utc=self._first.utc(self._first.now_s())
            )
