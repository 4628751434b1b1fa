"""A mounting as it is kept: found in the store, trusted on somebody's word, noted in a run."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from knuckle.analysis.request import SeatSpan
from knuckle.estimate.mounting import Mounting
from knuckle.model.wheel import Wheel
from knuckle.store.database import Store
from knuckle.store.rows import RunDetail, RunState

MOUNT: Final = "mount"
"""The fact's name: which wheel-turn run's mounting was used, on whose word, or why not."""
SEATS: Final = "seats"
"""The name of the fact that tells when the pod sat, or lay, untouched."""

OPTION: Final = "option"
ASKED: Final = "asked"
NEWEST_RUNS: Final = 200
"""So far back a mounting is looked for; an older one has long been taken off."""


@dataclass(frozen=True)
class Mounted:
    """The mounting that a wheel-turn run has measured.

    Attributes
    ----------
    run : int
        In the store.
    identity : str
        The pod's; empty if not known.
    mounting : Mounting
    said : str
        On whose word it is still the same: `OPTION` or `ASKED`; empty before anybody said so.
    since_utc : str
        When that run ended.
    elsewhere : int or None
        A later run of the same pod on another wheel, or in the hand: it has been taken off.
    """

    run: int
    identity: str
    mounting: Mounting
    said: str = ""
    since_utc: str = ""
    elsewhere: int | None = None

    def to_fact(self) -> dict[str, Any]:
        """Return it as a run's facts keep it."""
        return {
            "run": self.run,
            "pod": self.identity,
            "said": self.said,
            "mounting": self.mounting.to_json(),
        }

    def of_pod(self, identity: str) -> bool:
        """Return whether it is a mounting of that pod, as far as both are known."""
        return not (self.identity and identity) or self.identity == identity


def mounted_in(facts: Mapping[str, Any]) -> Mounted | None:
    """Return the mounting that a run's facts name as used; None where none was, or damaged."""
    fact = facts.get(MOUNT)
    if isinstance(fact, str):
        try:
            fact = json.loads(fact)
        except ValueError:
            return None
    if not isinstance(fact, Mapping) or fact.get("said") not in (OPTION, ASKED):
        return None
    try:
        mounting = Mounting.from_json(fact["mounting"])
        return Mounted(int(fact["run"]), str(fact["pod"]), mounting, str(fact["said"]))
    except (KeyError, TypeError, ValueError):
        return None


def latest(store: Store, wheel: Wheel) -> Mounted | None:
    """Return the newest mounting measured on a wheel; None if there is none.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    summaries = store.runs(NEWEST_RUNS)
    for place, summary in enumerate(summaries):
        if summary.kind != "spin" or summary.state is not RunState.FINISHED:
            continue
        if wheel.value not in summary.wheels:
            continue
        found = _of_run(store.run(summary.run_id))
        if found is None:
            return None
        for later in reversed(summaries[:place]):
            if later.kind in _ON_A_WHEEL and _taken_off(store.run(later.run_id), found, wheel):
                return replace(found, elsewhere=later.run_id)
        return found
    return None


_ON_A_WHEEL: Final = ("camber", "sweep", "spin")


def _taken_off(later: RunDetail, found: Mounted, wheel: Wheel) -> bool:
    """Return whether a later run shows that the pod was taken off the wheel."""
    if found.identity not in {stream.identity or "" for stream in later.streams}:
        return False
    # A walk round the car names no wheel for its stream.
    if any(name != wheel.value for name in later.summary.wheels) or not later.summary.wheels:
        return True
    warnings = [notice for row in later.results for notice in row.outcome.warnings]
    return any(notice.code == "MOUNT_HANDLED" for notice in warnings)


def _of_run(detail: RunDetail) -> Mounted | None:
    rows = [row for row in detail.latest() if row.outcome.measure == "spin"]
    if not rows or rows[-1].outcome.refused is not None:
        return None
    try:
        mounting = Mounting.from_json(json.loads(str(rows[-1].outcome.details["mounting"])))
    except (KeyError, ValueError):
        return None
    identity = detail.streams[0].identity or "" if detail.streams else ""
    ended = detail.summary.ended_utc or detail.summary.started_utc
    return Mounted(detail.summary.run_id, identity, mounting, since_utc=ended)


def seats_to_fact(seats: Sequence[SeatSpan]) -> list[list[float | None]]:
    """Return seats as a run's facts hold them."""
    return [[seat.from_s, None if math.isinf(seat.to_s) else seat.to_s] for seat in seats]


def seats_in(facts: Mapping[str, Any]) -> tuple[SeatSpan, ...]:
    """Return the seats that a run's facts name; none where they are missing or damaged."""
    told = facts.get(SEATS, ())
    try:
        if isinstance(told, str):
            told = json.loads(told)
        return tuple(
            SeatSpan(float(start), math.inf if end is None else float(end)) for start, end in told
        )
    except (TypeError, ValueError):
        return ()
