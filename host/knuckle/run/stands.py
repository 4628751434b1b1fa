"""Where the wheel has stood in a sweep: by the gyro's turn, or by "up" alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from knuckle.analysis.first_guess import guess
from knuckle.errors import MeasurementRefused
from knuckle.geometry.rotation import unit
from knuckle.model.block import FloatArray
from knuckle.model.rest import Rest
from knuckle.run.sweep_plan import Need, SweepPlan, plan

SAME_UP_DEG: Final = 0.8
"""Rests whose "up" differs by less stand at the same place, where there is no other clue."""


@dataclass(slots=True, eq=False)
class _Stand:
    """A rest: where "up" was, shape (3,), and how far the gyro had turned in its record."""

    up: FloatArray
    turned_deg: float | None
    record: int
    ended_s: float | None = None
    """Pod time of the rest's last sample, once it is over."""


@dataclass(frozen=True, slots=True)
class TakenBack:
    """A rest that was taken and counts no longer.

    Attributes
    ----------
    steer_deg : float or None
        Where it was, as of `Stands.steer_deg`; None where not known.
    latest : bool
        Whether the wheel has rested nowhere since.
    """

    steer_deg: float | None
    latest: bool


class Stands:
    """The rests taken so far.

    A break of the samples begins a new record, in which the gyro's turn counts from an unknown
    place. A rest with the same "up" as one of an earlier record joins the two.
    """

    def __init__(self) -> None:
        self._stands: list[_Stand] = []
        self._record = 0
        self._offsets_deg: dict[int, float] = {0: 0.0}

    def __len__(self) -> int:
        return len(self._stands)

    @property
    def lost(self) -> bool:
        """Whether the place of the running record is unknown."""
        return self._record not in self._offsets_deg

    def steer_deg(self, turned_deg: float | None) -> float | None:
        """Return the steer angle for the gyro's present turn; None where not known."""
        return self._steer_deg(turned_deg, self._record)

    def add(self, rest: Rest, turned_deg: float | None) -> bool:
        """Take a rest; return whether it has made a lost steer angle known again."""
        stand = _Stand(unit(rest.accel_g), turned_deg, self._record)
        was_lost = self.lost
        if was_lost:
            self._join(stand)
        self._stands.append(stand)
        return was_lost and not self.lost

    def ended(self, rest: Rest) -> None:
        """Take the whole reading of the last rest."""
        if self._stands:
            self._stands[-1].up = unit(rest.accel_g)
            self._stands[-1].ended_s = rest.end_s

    def withdraw(self) -> TakenBack:
        """Drop the last rest, and return where it was."""
        stand = self._stands.pop()
        return TakenBack(self._steer_deg(stand.turned_deg, stand.record), latest=True)

    def keep(self, rests: Sequence[Rest]) -> TakenBack | None:
        """Drop rests that have ended and are not among `rests`; return the latest, if any."""
        ends = {rest.end_s for rest in rests}
        dropped = [s for s in self._stands if s.ended_s is not None and s.ended_s not in ends]
        if not dropped:
            return None
        last = dropped[-1]
        latest = last is self._stands[-1]
        self._stands = [s for s in self._stands if s not in dropped]
        return TakenBack(self._steer_deg(last.turned_deg, last.record), latest)

    def break_off(self) -> None:
        """Take note that nothing is known of the turn from here to what follows."""
        if self._stands:
            self._record += 1

    def plan(self, passed_deg: Sequence[float], now_deg: float | None) -> SweepPlan:
        """Return what the sweep lacks, with a gyro; arguments as of `sweep_plan.plan`."""
        steers = [self._steer_deg(s.turned_deg, s.record) for s in self._stands]
        known = [steer_deg for steer_deg in steers if steer_deg is not None]
        found = plan(known, passed_deg, 0.0 if now_deg is None else now_deg)
        if found.need is Need.NOTHING and steers and steers[-1] is None:
            return replace(found, need=Need.STRAIGHT)
        return found

    def plan_by_cone(self) -> SweepPlan:
        """Return what the sweep lacks, without gyro: from "up", and the cone it draws."""
        ups = np.array([stand.up for stand in self._stands]).reshape(-1, 3)
        places: list[int] = []
        for i, up in enumerate(ups):
            if all(_degrees_between(up, ups[j]) > SAME_UP_DEG for j in places):
                places.append(i)
        if len(places) >= 3:
            try:
                return plan(np.degrees(guess(ups, []).theta_rad).tolist())
            except MeasurementRefused:
                pass  # too flat a cone to tell the order: the number of places must do
        straight = sum(_degrees_between(up, ups[0]) <= SAME_UP_DEG for up in ups)
        need = {0: Need.FIRST_REST, 1: Need.LEFT, 2: Need.RIGHT}.get(len(places), Need.STRAIGHT)
        return SweepPlan(0.0, need, straight, int(len(places) > 1), int(len(places) > 2))

    def _steer_deg(self, turned_deg: float | None, record: int) -> float | None:
        offset_deg = self._offsets_deg.get(record)
        return None if turned_deg is None or offset_deg is None else turned_deg + offset_deg

    def _join(self, stand: _Stand) -> None:
        if stand.turned_deg is None:
            return
        nearest_deg = SAME_UP_DEG
        for other in self._stands:
            there_deg = self._steer_deg(other.turned_deg, other.record)
            apart_deg = _degrees_between(other.up, stand.up)
            if there_deg is not None and apart_deg < nearest_deg:
                nearest_deg = apart_deg
                self._offsets_deg[stand.record] = there_deg - stand.turned_deg


def _degrees_between(one: FloatArray, other: FloatArray) -> float:
    return float(np.degrees(np.arccos(np.clip(one @ other, -1.0, 1.0))))
