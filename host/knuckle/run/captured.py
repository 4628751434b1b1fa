"""A live run on its way into the store: raw bytes first, then what is known of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from knuckle.links.contract import Link
from knuckle.model.result import Outcome
from knuckle.run.calibrations import identity_of
from knuckle.run.events import PodSeen
from knuckle.run.method import Method
from knuckle.store.database import Store
from knuckle.store.rows import RunState


class Captured:
    """One run with one pod. It begins with the first byte, so that a missing pod leaves none.

    Parameters
    ----------
    store : Store
        Open for writing.
    method : Method
        What is measured, how, and what is known beforehand.
    wheel : str or None
        Of the stream; None where the pod goes round.
    link : Link
        For address, description and time.
    """

    def __init__(self, store: Store, method: Method, wheel: str | None, link: Link) -> None:
        self.run: int | None = None
        self._store = store
        self._method = method
        self._wheel = wheel
        self._facts = method.beforehand()
        self._link = link

    def take(self, stream: int, arrival_s: float, data: bytes) -> None:
        """Keep bytes before anything is decoded; a run begins with the first of them."""
        if self.run is None:
            if not data:
                return
            self.run = self._store.begin_run(
                self._method.measure,
                [self._wheel],
                facts={**self._facts, "link": self._link.description()},
                addresses=[self._link.address],
                started_utc=self._link.clock.utc(arrival_s),
            )
        self._store.add_chunk(self.run, stream, arrival_s, data)

    def save(self) -> None:
        """Commit what came so far now: nothing may come for a while."""
        if self.run is not None:
            self._store.commit(self.run)

    def keep(self, facts: Mapping[str, Any]) -> None:
        """Add facts to the run now, before it ends."""
        if self.run is not None:
            self._store.add_facts(self.run, facts)

    def met(self, seen: PodSeen) -> None:
        """Keep what the pod says of itself."""
        if self.run is not None:
            self._store.describe_stream(
                self.run, 0, hello=seen.hello, identity=identity_of(seen) or None
            )

    def add(self, outcome: Outcome) -> None:
        """Append an outcome to the run."""
        assert self.run is not None
        self._store.add_result(self.run, outcome, method=self._method.how)

    def finish(self, state: RunState, facts: Mapping[str, Any]) -> None:
        """Close the run."""
        if self.run is not None:
            self._store.finish_run(
                self.run,
                state,
                facts=facts,
                ended_utc=self._link.clock.utc(self._link.clock.now_s()),
            )

    def pieces(self) -> Sequence[bytes]:
        """Return the bytes as the store holds them, in order."""
        assert self.run is not None
        self._store.commit(self.run)
        return [chunk.data for chunk in self._store.chunks(self.run, 0)]
