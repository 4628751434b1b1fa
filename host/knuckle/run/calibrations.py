"""Which calibration corrects a pod's readings: named, kept in the store, or the pod's own."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np

from knuckle.errors import StoreError, UsageError
from knuckle.estimate.calibration import Calibration, GyroCalibration, joint_covariance
from knuckle.model.block import Block
from knuckle.run.calibration_json import FORMAT, WRONG, Made, from_json, of_record, to_json
from knuckle.run.events import PodSeen
from knuckle.store.recording import Decoded
from knuckle.store.rows import CalibrationRow
from knuckle.wire.settings import SettingsRecord

CALIBRATION: Final = "calibration"
"""The name of the fact that tells by which calibration a run was measured."""

FILE, STORE, POD, APPLIED, NONE = "file", "store", "pod", "applied", "none"


@dataclass(frozen=True)
class Kept:
    """A calibration that the store keeps, with its number there."""

    number: int
    made: Made


Library = Callable[[str], Kept | None]
"""From a pod's identity to the newest calibration that is kept of it, or None."""


@dataclass(frozen=True)
class Used:
    """What a run's readings are corrected by.

    Attributes
    ----------
    source : str
        "file" (the user named it), "store", "pod", "applied" (a text pod's word), "none".
    calibration : Calibration or None
        None with the last two.
    number : int or None
        In the store.
    made : Made or None
        What it was made of, where that is known.
    """

    source: str
    calibration: Calibration | None = None
    number: int | None = None
    made: Made | None = None

    def fact(self) -> dict[str, Any]:
        """Return it as a run's facts keep it."""
        kept = self.calibration
        if kept is None:
            return {"source": self.source}
        fact: dict[str, Any] = {"source": self.source, "date": kept.date, "pod": kept.identity}
        if self.number is not None:
            fact["number"] = self.number
        if self.source in (FILE, STORE):
            fact["record"] = to_json(self.made or kept)
        return fact


def identity_of(seen: PodSeen) -> str:
    """Return a pod's identity as it is stored: hexadecimal, or a text pod's `id`; else empty."""
    if any(seen.identity):
        return seen.identity.hex()
    return dict(seen.facts).get("id", "")


def of_settings(record: SettingsRecord | None) -> Calibration | None:
    """Return the calibration that a pod keeps, or None.

    The pod has room for standard uncertainties only, so the terms count as independent.
    """
    if record is None or record.calibration is None:
        return None
    kept = record.calibration
    sigma = np.concatenate([kept.accel_bias_u_g, np.ravel(kept.accel_matrix_u)])
    return Calibration(
        bias_g=np.array(kept.accel_bias_g),
        matrix=np.array(kept.accel_matrix),
        covariance=joint_covariance(np.diag(sigma**2), kept.turn_u_deg),
        gyro=GyroCalibration(
            np.array(kept.gyro_matrix), np.diag(np.ravel(kept.gyro_matrix_u) ** 2)
        ),
        temp_c=kept.temp_c,
        identity=record.identity.hex(),
        date=datetime.fromtimestamp(kept.date, UTC).isoformat(),
    )


def stored_in_pod(seen: PodSeen) -> Callable[[Block], Block] | None:
    """Return what corrects a pod's readings by the calibration that it keeps, or None."""
    calibration = of_settings(seen.settings)
    return None if calibration is None else calibration.applied


def applied_by(library: Library | None) -> Callable[[PodSeen], Callable[[Block], Block] | None]:
    """Return what corrects a pod's readings, once it is seen: by the store's or the pod's own."""

    def calibration_of(seen: PodSeen) -> Callable[[Block], Block] | None:
        used = choose(None, False, library, identity_of(seen), of_settings(seen.settings))
        return None if used.calibration is None else used.calibration.applied

    return calibration_of


def kept_of(rows: Sequence[CalibrationRow]) -> list[CalibrationRow]:
    """Return those of accelerometers among the calibrations that a store keeps, newest first."""
    return [row for row in rows if row.record.get("format") == FORMAT]


def calibrations_of(rows: Sequence[CalibrationRow]) -> Library:
    """Return what finds a pod's newest calibration among those that a store keeps.

    Raises
    ------
    StoreError
        From the call, if it cannot be read.
    """
    kept = kept_of(rows)

    def newest(identity: str) -> Kept | None:
        row = next((row for row in kept if identity and row.identity == identity), None)
        return None if row is None else Kept(row.calibration_id, of_record(row.record))

    return newest


def choose(
    given: Calibration | None,
    uncalibrated: bool,
    library: Library | None,
    identity: str,
    own: Calibration | None,
) -> Used:
    """Return the calibration to use: the one named, else the newer of the store's and the pod's.

    Of two with the same date the store's is used: it has the whole covariance.

    Parameters
    ----------
    given : Calibration or None
        Named by the user.
    uncalibrated : bool
        Whether the user says that there is none.
    library : callable or None
        Those kept.
    identity : str
        The pod's; empty if not known: then no kept one is this pod's.
    own : Calibration or None
        What the pod itself keeps.

    Raises
    ------
    UsageError
        If the one named is of another pod.
    """
    if uncalibrated:
        return Used(NONE)
    if given is not None:
        check_same_pod(given, identity)
        return Used(FILE, given)
    kept = None if library is None else library(identity)
    if kept is not None and (own is None or not _newer(own.date, kept.made.calibration.date)):
        return Used(STORE, kept.made.calibration, kept.number, kept.made)
    return Used(NONE) if own is None else Used(POD, own)


def _newer(one: str, other: str) -> bool:
    """Return whether one date is later than another by a second or more."""
    first, second = moment_of(one), moment_of(other)
    if first is None or second is None:
        return second is None and first is not None
    return (first - second).total_seconds() >= 1.0


def moment_of(date: str) -> datetime | None:
    """Return a calibration's date, or None if it has none that can be read."""
    try:
        moment = datetime.fromisoformat(date)
    except ValueError:
        return None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def used_fact(
    given: Calibration | None,
    uncalibrated: bool,
    decoded: Decoded | None = None,
    library: Library | None = None,
) -> dict[str, Any]:
    """Return by which calibration a run is measured, as its facts keep it.

    Parameters
    ----------
    given : Calibration or None
        Named by the user.
    uncalibrated : bool
        Whether the user says that there is none.
    decoded : Decoded, optional
        What the pod has sent; its own calibration stands in there.
    library : callable, optional
        Those that the store keeps.

    Returns
    -------
    dict
        `source`: "file", "store", "pod", "applied" (a text pod's word for its readings) or
        "none"; of a calibration also `date` and `pod`, and the whole `record` of one from a file
        or the store.
    """
    identity = "" if decoded is None else identity_in(decoded)
    own = None if decoded is None else of_settings(decoded.settings)
    used = Used(FILE, given) if given is not None and not uncalibrated else None
    used = used or choose(given, uncalibrated, library, identity, own)
    if used.calibration is None and not uncalibrated:
        text = decoded is not None and decoded.hello is None
        says_none = decoded is None or decoded.text_facts.get("calibration") == NONE
        return {"source": APPLIED if text and not says_none else NONE}
    return used.fact()


def identity_in(decoded: Decoded) -> str:
    """Return the identity of the pod whose bytes were decoded; empty if not known."""
    for told in (decoded.settings, decoded.hello):
        if told is not None and any(told.identity):
            return told.identity.hex()
    return decoded.text_facts.get("id", "")


def of_run(facts: Mapping[str, Any], decoded: Decoded) -> tuple[dict[str, Any], Calibration | None]:
    """Return by which calibration a stored run was measured.

    Parameters
    ----------
    facts : mapping
        The run's. Where they tell nothing (a run that never came to a result) it is the pod's
        own.
    decoded : Decoded
        Its raw bytes.

    Raises
    ------
    StoreError
        If the facts hold a calibration that cannot be read.
    """
    fact = dict(facts.get(CALIBRATION) or used_fact(None, False, decoded))
    if fact["source"] == POD:
        return fact, of_settings(decoded.settings)
    if fact["source"] not in (FILE, STORE):
        return fact, None
    try:
        return fact, from_json(fact["record"]).calibration
    except WRONG as error:
        raise StoreError(
            f"The calibration kept with the run cannot be read: {error!r}.",
            "The store is damaged or was changed by another program.",
            "`knuckle export RUN --as csv --raw` writes the readings without it.",
        ) from error


def check_same_pod(calibration: Calibration, identity: str) -> None:
    """Refuse a calibration of another pod than the readings', where both are known.

    Raises
    ------
    UsageError
        If the pods differ.
    """
    if calibration.identity and identity and calibration.identity != identity:
        raise UsageError(
            f"The calibration is of pod {calibration.identity}, the readings of {identity}.",
            "Each chip has errors of its own: another pod's calibration makes them worse.",
            "Name this pod's calibration, or leave --calibration out.",
        )
