"""Noise that was measured before, from where it is kept: the store, or a run's own facts."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from knuckle.noise.analyse import FORMAT
from knuckle.rests.noise_floor import KnownFloor
from knuckle.rests.settings import RestSettings
from knuckle.run.calibrations import identity_of
from knuckle.run.events import PodSeen
from knuckle.store.database import Store
from knuckle.store.rows import CalibrationRow

NOISE_FLOOR: Final = "noise_floor"
"""The name of the fact that keeps what the detector of rests of a run started from."""

FloorLibrary = Callable[[str], Sequence[KnownFloor]]
"""From a pod's identity to the floors kept of it, newest first."""


def kept_floors(kept: Sequence[CalibrationRow], identity: str) -> list[KnownFloor]:
    """Return the noise floors of a pod, newest first; none for a pod without identity.

    One that cannot be read is passed over: the detector learns by itself then.

    Parameters
    ----------
    kept : sequence of CalibrationRow
        Newest first, other kinds among them.
    identity : str
    """
    floors = []
    for row in kept:
        record = row.record
        if not identity or row.identity != identity or record.get("format") != FORMAT:
            continue
        if isinstance(record.get("rests"), Mapping):
            try:
                floors.append(KnownFloor.from_json(record["rests"]))
            except ValueError:
                continue
    return floors


def library_of(store: Store) -> FloorLibrary:
    """Return the floors that a store keeps."""
    kept = store.calibrations()
    return lambda identity: kept_floors(kept, identity)


def floors_of(library: FloorLibrary | None) -> Callable[[PodSeen], Sequence[KnownFloor]]:
    """Return what a live run asks for a pod's floors."""
    if library is None:
        return lambda seen: ()
    return lambda seen: library(identity_of(seen))


def floor_for(floors: Sequence[KnownFloor], rate_hz: float, has_gyro: bool) -> KnownFloor | None:
    """Return the floor that a detector with the usual settings starts from, if any fits."""
    size = RestSettings().cell_size(rate_hz)
    return KnownFloor.first_that_fits(floors, rate_hz, size, has_gyro)


def floor_of_facts(facts: Mapping[str, Any]) -> KnownFloor | None:
    """Return what a stored run's detector started from: by its facts, or by a log's.

    A record that cannot be read counts as none.
    """
    told = facts.get(NOISE_FLOOR)
    try:
        if isinstance(told, str):
            told = json.loads(told)
        return KnownFloor.from_json(told) if isinstance(told, Mapping) else None
    except ValueError:
        return None
