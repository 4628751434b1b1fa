"""The zero that a reversal has found, as it is kept: found in the store, used, noted in a run."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from knuckle.estimate.calibration import UNKNOWN_APART_C
from knuckle.estimate.data_sheets import AccelerometerSheet
from knuckle.estimate.priors import Priors
from knuckle.estimate.zero import FoundZero
from knuckle.model.block import FloatArray
from knuckle.model.result import Notice
from knuckle.run.calibration_trust import OLD_DAYS
from knuckle.run.calibrations import moment_of
from knuckle.store.database import Store
from knuckle.store.rows import RunDetail, RunState

ZERO: Final = "zero"
"""The fact's name: which reversal's zero was used, or that none was to be."""
UNUSED: Final = "no zero"
NEWEST_RUNS: Final = 500
"""So far back a reversal is looked for."""


@dataclass(frozen=True)
class KeptZero:
    """The zero that a reversal has found.

    Attributes
    ----------
    run : int
        In the store.
    identity : str
        The pod's.
    face : str
        On which it lay.
    found_utc : str
        When that run began.
    zero : FoundZero
    """

    run: int
    identity: str
    face: str
    found_utc: str
    zero: FoundZero

    def to_fact(self) -> dict[str, Any]:
        """Return it as a run's facts keep it."""
        return {
            "run": self.run,
            "pod": self.identity,
            "face": self.face,
            "found_utc": self.found_utc,
            "zero": self.zero.to_json(),
        }

    def said(self, corrected_by: FloatArray | None) -> str:
        """Return in words whether it serves readings that this matrix corrects."""
        told = f"The zero of the reversal in run {self.run} ({self.found_utc[:10]})"
        if not self.zero.same_correction(corrected_by):
            return f"{told} is not used: the pod's calibration was another then."
        return f"{told} is applied; --no-zero omits it."

    def applied(
        self,
        priors: Priors,
        sheet: AccelerometerSheet,
        *,
        temp_c: float | None,
        at: datetime | None,
        corrected_by: FloatArray | None,
    ) -> tuple[Priors, Notice]:
        """Return priors with this zero, or without where it does not serve; and what is to say.

        Parameters
        ----------
        priors : Priors
        sheet : AccelerometerSheet
        temp_c : float or None
            Of the readings.
        at : datetime or None
            When they were taken.
        corrected_by : ndarray, shape (3, 3), or None
            The matrix that corrects them; None for none.
        """
        told = f"the reversal in run {self.run} ({self.found_utc[:10]}, face {self.face})"
        if not self.zero.same_correction(corrected_by):
            return priors, Notice(
                "ZERO_OTHER_CALIBRATION",
                f"The zero of {told} is not used: it was found by readings corrected in another "
                "way. Turn the pod end for end again with `knuckle reversal`.",
            )
        found = moment_of(self.found_utc)
        days = None if at is None or found is None else (at - found).total_seconds() / 86400.0
        if days is not None and days > OLD_DAYS:
            return priors, Notice(
                "ZERO_OLD",
                f"The zero of {told} is not used: it is {days:.0f} days old. Turn the pod end for "
                "end again with `knuckle reversal`.",
            )
        apart_c = UNKNOWN_APART_C
        if temp_c is not None and self.zero.temp_c is not None:
            apart_c = temp_c - self.zero.temp_c
        shown_deg = -math.degrees(math.asin(max(-1.0, min(1.0, self.zero.value_g))))
        return self.zero.on(priors, sheet, apart_c), Notice(
            "ZERO_USED",
            f"The zero of {told} is applied: it showed {shown_deg:+.2f} deg upright. "
            "It counts beside the calibration by its uncertainty, squareness included. "
            "--no-zero leaves it out.",
        )


ZeroLibrary = Callable[[str], KeptZero | None]
"""From a pod's identity to the newest zero that is kept of it, or None."""


def zeros_of(store: Store) -> ZeroLibrary:
    """Return what finds the newest zero of a pod among a store's reversals.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    newest: dict[str, KeptZero] = {}
    for summary in store.runs(NEWEST_RUNS):
        if summary.kind == "reversal" and summary.state is RunState.FINISHED:
            kept = _of_run(store.run(summary.run_id))
            if kept is not None and kept.identity:
                newest.setdefault(kept.identity, kept)
    return newest.get


def _of_run(detail: RunDetail) -> KeptZero | None:
    rows = [row for row in detail.latest() if row.outcome.measure == "reversal"]
    if not rows or rows[-1].outcome.refused is not None or not detail.streams:
        return None
    details = rows[-1].outcome.details
    try:
        zero = FoundZero.from_json(json.loads(str(details["zero"])))
    except (KeyError, ValueError):
        return None
    return KeptZero(
        detail.summary.run_id,
        detail.streams[0].identity or "",
        str(details.get("face", "")),
        detail.summary.started_utc,
        zero,
    )


def zero_in(facts: Mapping[str, Any]) -> KeptZero | None:
    """Return the zero that a run's facts name as used; None where none was, or damaged."""
    fact = facts.get(ZERO)
    try:
        if isinstance(fact, str):
            fact = json.loads(fact)
        if not isinstance(fact, Mapping):
            return None
        zero = FoundZero.from_json(fact["zero"])
        pod, face, found = (str(fact[name]) for name in ("pod", "face", "found_utc"))
        return KeptZero(int(fact["run"]), pod, face, found, zero)
    except (KeyError, TypeError, ValueError):
        return None
