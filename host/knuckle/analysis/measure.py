"""The one door to the mathematics: a block and its rests in, an outcome out. Never raises on
readings: what cannot be measured is a refused outcome, and its rests are kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np

from knuckle.analysis.camber import analyse_camber, camber_of_rest
from knuckle.analysis.request import Request
from knuckle.analysis.reversal import analyse_reversal
from knuckle.analysis.spin import analyse_spin
from knuckle.analysis.sweep import analyse_sweep
from knuckle.errors import KnuckleError, MeasurementRefused
from knuckle.model.block import Block
from knuckle.model.rest import Rest
from knuckle.model.result import Notice, Outcome, PlacedRest

MEASURES = ("camber", "sweep", "spin", "reversal")


SAME_HOLD_S = 2.0
"""A stretch that was dropped this close to a rest is the same hold: its rest is the reading."""


class Dropped(Protocol):
    """A stretch that looked like a rest and was dropped, with the reason in words."""

    @property
    def start_s(self) -> float:
        """Where it began, in s of pod time."""

    @property
    def end_s(self) -> float:
        """Where it ended."""

    @property
    def reason(self) -> str:
        """Why it was dropped."""


def measure(
    name: str,
    block: Block,
    rests: Sequence[Rest],
    request: Request,
    dropped: Sequence[Dropped] = (),
) -> Outcome:
    """Measure camber, a sweep, a wheel-turn run or a reversal.

    Parameters
    ----------
    name : str
        One of `MEASURES`.
    block : Block
        The whole recording, calibrated.
    rests : sequence of Rest
        In order of time.
    request : Request
    dropped : sequence of Dropped
        Stretches that the rest finder dropped again.

    Returns
    -------
    Outcome
        Refused ones carry the reason and the rests that were found.

    Raises
    ------
    ValueError
        If `name` is not a measure.
    """
    if name not in MEASURES:
        raise ValueError(f"{name!r} is not one of {MEASURES}")
    found = list(rests)
    notices = _data_notices(block, found, dropped)
    try:
        outcome = _analysed(name, block, found, request)
    except MeasurementRefused as refusal:
        return Outcome(
            name,
            "" if name == "reversal" else request.wheel.value,
            {},
            _bare_rests(found, request) if name in ("camber", "sweep") else (),
            tuple(notices),
            Notice(refusal.code, _sentence(refusal)),
        )
    return Outcome(
        outcome.measure,
        outcome.wheel,
        outcome.results,
        outcome.rests,
        (*outcome.warnings, *notices),
        None,
        outcome.details,
    )


def _analysed(name: str, block: Block, rests: list[Rest], request: Request) -> Outcome:
    if name == "camber":
        return analyse_camber(rests, request)
    if name == "spin":
        return analyse_spin(block, rests, request)[0]
    if name == "reversal":
        return analyse_reversal(block, rests, request)
    return analyse_sweep(block, rests, request)


def _sentence(error: KnuckleError) -> str:
    return " ".join(part for part in (error.what, error.cause, error.next_step) if part)


def _data_notices(block: Block, rests: list[Rest], dropped: Sequence[Dropped]) -> list[Notice]:
    end_s = float(block.t_s[-1]) if len(block) else 0.0
    notices = [
        Notice(
            "MOVED_DURING_REST",
            f"What seemed a rest at {drop.start_s:.1f} s was not used: {drop.reason}.",
        )
        for drop in dropped
        if drop.end_s < end_s - SAME_HOLD_S
        and not any(
            rest.start_s - SAME_HOLD_S <= drop.end_s and drop.start_s <= rest.end_s + SAME_HOLD_S
            for rest in rests
        )
    ]
    lost = int(np.sum(block.lost_before)) if len(block) else 0
    stretches = int(block.stretch[-1] - block.stretch[0]) if len(block) else 0
    if lost:
        notices.append(
            Notice("SAMPLES_LOST", f"Samples lost on the way: {lost}. None was invented.")
        )
    if stretches:
        notices.append(
            Notice(
                "RECORD_BROKEN",
                f"Restarts or long gaps in the record: {stretches}. The gyro's turn across them "
                "was not used.",
            )
        )
    knocks = sum(rest.knocks for rest in rests)
    if knocks:
        notices.append(
            Notice("KNOCKS", f"Short knocks during rests, left out of the means: {knocks}.")
        )
    return notices


def _bare_rests(rests: list[Rest], request: Request) -> tuple[PlacedRest, ...]:
    """Return rests with the camber they read, and without position."""
    kept = []
    for rest in rests:
        camber = camber_of_rest(rest, request)
        kept.append(
            PlacedRest(
                None, rest.start_s, rest.end_s, camber.value, camber.expanded_uncertainty, None
            )
        )
    return tuple(kept)
