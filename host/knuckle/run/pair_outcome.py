"""From the sweeps of both front wheels to the figures of the pair, live and replayed alike."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from knuckle.alignment.differences import read_differences
from knuckle.alignment.pair import SweptWheel, pair_of
from knuckle.alignment.shared import Origin
from knuckle.alignment.turn_out import AT_DEG, headings_together, toe_out_on_turns
from knuckle.errors import MeasurementRefused
from knuckle.estimate.data_sheets import gyro_sheet
from knuckle.estimate.priors import GyroPrior, Priors
from knuckle.model.result import Notice, Outcome, Quantity, Result
from knuckle.model.wheel import Wheel
from knuckle.run.calibrations import identity_in, of_run
from knuckle.run.replay import sensors_of
from knuckle.store.arrivals import SampleClock
from knuckle.store.recording import Decoded

FRONT: Final = "front"
"""The place of a pair's figures."""
BOTH_WHEELS: Final = (Wheel.LF, Wheel.RF)


@dataclass(frozen=True)
class Swept:
    """One wheel of the pair.

    Attributes
    ----------
    outcome : Outcome
    clock : SampleClock or None
        When its samples were taken.
    pod : str
        Its identity with the calibration in use; empty if not known.
    gyro_scale_u : float
        Relative standard uncertainty of its gyro's scale about the vertical.
    """

    outcome: Outcome
    clock: SampleClock | None = None
    pod: str = ""
    gyro_scale_u: float = 0.0


def swept_of(outcome: Outcome, decoded: Decoded, facts: Mapping[str, Any]) -> Swept:
    """Return one wheel's sweep with what is known of its pod.

    Parameters
    ----------
    outcome : Outcome
    decoded : Decoded
        Its stream's bytes.
    facts : mapping
        The run's, as those of this pod.
    """
    used, calibration = of_run(facts, decoded)
    parts = sensors_of(decoded.hello, decoded.text_facts)
    priors = Priors() if calibration is None else calibration.priors(Priors(), parts)
    gyro = GyroPrior.data_sheet(gyro_sheet(parts.gyro)) if calibration is None else priors.gyro
    # The vertical lies anywhere across the spin axis, as the case is turned on the wheel.
    scale_u = float(np.sqrt(np.diag(gyro.covariance)[[0, 8]].max()))
    by = used.get("number") or used.get("date") or used.get("source", "")
    identity = identity_in(decoded)
    return Swept(outcome, decoded.clock, f"{identity} {by}" if identity else "", scale_u)


def on_common_time(swept: Swept) -> Outcome:
    """Return an outcome with its rests on the time of the run's arrivals, which both pods share.

    Each stretch between restarts of a pod has a line of its own from pod time to arrival time.
    Without a clock the rests stay as they are.
    """
    if swept.clock is None:
        return swept.outcome
    fit = swept.clock.fit

    def moved(at_s: float) -> float:
        arrival_s = fit.arrival_of(at_s)
        return at_s if arrival_s is None else arrival_s

    rests = tuple(
        replace(rest, start_s=moved(rest.start_s), end_s=moved(rest.end_s))
        for rest in swept.outcome.rests
    )
    return replace(swept.outcome, rests=rests)


def pair_outcome(left: Swept, right: Swept) -> Outcome:
    """Return the pair's figures: left against right, included angles, toe-out on turns.

    Parameters
    ----------
    left, right : Swept

    Notes
    -----
    Both pods rest on the same pads, with one straight ahead; each has its own errors otherwise.
    """
    one, other = (
        SweptWheel(
            swept.outcome.results,
            Origin(
                wheel=wheel,
                pod=swept.pod,
                mounting=f"mounting {wheel}",
                pads="this run",
                straight_ahead="this run",
            ),
        )
        for wheel, swept in zip(BOTH_WHEELS, (left, right), strict=True)
    )
    warnings: list[Notice] = []
    turn_out: dict[Quantity, Result] = {}
    together = [
        both
        for both in headings_together(on_common_time(left), on_common_time(right))
        # One wheel near straight ahead with the other at a lock did not stand there with it.
        if min(abs(both.left_deg), abs(both.right_deg)) >= AT_DEG / 4.0
    ]
    try:
        turn_out = toe_out_on_turns(
            together,
            scale_u=max(left.gyro_scale_u, right.gyro_scale_u),
        )
    except MeasurementRefused as refusal:
        warnings.append(Notice(refusal.code, str(refusal)))
    pair = pair_of(one, other)
    warnings = [*exchanged(pair.left, pair.right, turn_out), *warnings]
    warnings += read_differences(pair, turn_out=turn_out)
    results = {
        **{
            figure: replace(compared.difference, condition="left less right")
            for figure, compared in pair.cross.items()
        },
        **turn_out,
    }
    details: dict[str, float | str] = {}
    for name, side in (("left", pair.left), ("right", pair.right)):
        included = side.get(Quantity.INCLUDED)
        if included is not None:
            details[f"included_{name}_deg"] = included.value
            details[f"included_{name}_expanded_uncertainty_deg"] = included.expanded_uncertainty
    if not results:
        refused = Notice(
            "NO_PAIR", "No figure came of both wheels, and they did not rest together at a lock."
        )
        return Outcome("sweep", FRONT, {}, warnings=tuple(warnings), refused=refused)
    return Outcome("sweep", FRONT, results, warnings=tuple(warnings), details=details)


def exchanged(
    left: Mapping[Quantity, Result],
    right: Mapping[Quantity, Result],
    turn_out: Mapping[Quantity, Result],
) -> list[Notice]:
    """Return a notice where left and right pod are most likely exchanged.

    A left wheel that is taken for a right one is its mirror image: caster changes its sign, and
    the wheel that turns more seems to be the outer one.
    """
    casters = [side[Quantity.CASTER] for side in (left, right) if Quantity.CASTER in side]
    backward = len(casters) == 2 and all(c.value < -c.expanded_uncertainty for c in casters)
    outward = len(turn_out) == 2 and all(
        each.value < -each.expanded_uncertainty for each in turn_out.values()
    )
    if not (backward or outward):
        return []
    seen = [
        *(["caster is negative on both sides"] if backward else []),
        *(["the outer wheel seems to turn further on both sides"] if outward else []),
    ]
    return [
        Notice(
            "PODS_EXCHANGED",
            f"{' and '.join(seen).capitalize()}: most likely the pod named as the left one is on "
            "the right wheel. Look which is which, and sweep again with --left-pod and "
            "--right-pod exchanged.",
        )
    ]
