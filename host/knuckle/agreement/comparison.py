"""Readings of a reference and of a pod at the same settings."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from knuckle.agreement.reference import Reference


@dataclass(frozen=True, slots=True)
class ReferenceReading:
    """What the reference showed at one setting.

    Attributes
    ----------
    setting : int
        Settings are numbered as they were made; a new angle is a new setting, and so is the
        same angle set anew.
    value_deg : float
        Sign as the pod's: positive where the pod reads positive when it is not turned.
    turned : bool
        The reference was turned end for end: it shows minus the angle, plus its zero.
    shared_u_deg : float or None
        Standard uncertainty of an error that all readings of the same value share; None takes
        the reference's resolution (stacks of a sine bar have their own).
    """

    setting: int
    value_deg: float
    turned: bool = False
    shared_u_deg: float | None = None


@dataclass(frozen=True, slots=True)
class PodReading:
    """What the pod read at rest.

    Attributes
    ----------
    setting : int
        The setting it stood at.
    value_deg, u_deg : float
        The angle, and the standard uncertainty that the rest's noise leaves.
    seat : int
        Counts up each time the pod was put on anew; the same number: it was not touched.
    turned : bool
        The pod was turned end for end: it reads minus the angle, plus its zero.
    direction : int
        +1 if the setting was reached going up, -1 going down, 0 if neither is meant.
    time_s : float
        Since the start of the run, for drift.
    """

    setting: int
    value_deg: float
    u_deg: float = 0.0
    seat: int = 0
    turned: bool = False
    direction: int = 0
    time_s: float = 0.0


@dataclass(frozen=True)
class Comparison:
    """All that was read in a run.

    Attributes
    ----------
    reference : Reference
    reference_readings : tuple of ReferenceReading
    pod_readings : tuple of PodReading
    different : int or None
        How many different angles were meant: the same angle set anew is met roughly. None
        goes by the readings.

    Raises
    ------
    ValueError
        If a pod reading stands at a setting that the reference was not read at, or a number
        is not finite.
    """

    reference: Reference
    reference_readings: tuple[ReferenceReading, ...]
    pod_readings: tuple[PodReading, ...]
    different: int | None = None

    def __post_init__(self) -> None:
        known = {reading.setting for reading in self.reference_readings}
        stray = {reading.setting for reading in self.pod_readings} - known
        if stray:
            raise ValueError(f"no reading of the reference at setting {min(stray)}")
        values = [reading.value_deg for reading in self.reference_readings]
        values += [reading.value_deg for reading in self.pod_readings]
        if not all(abs(value) <= 90.0 for value in values):
            raise ValueError("an angle is a number within 90 deg")

    def setting_deg(self) -> dict[int, float]:
        """Return each setting's angle by the reference alone."""
        total: Counter[int] = Counter()
        sums: dict[int, float] = {}
        for reading in self.reference_readings:
            total[reading.setting] += 1
            sign = -1.0 if reading.turned else 1.0
            sums[reading.setting] = sums.get(reading.setting, 0.0) + sign * reading.value_deg
        return {setting: sums[setting] / count for setting, count in total.items()}

    def pairs(self) -> tuple[tuple[float, float], ...]:
        """Return (reference, pod) for each pod reading, both as the pod stood, deg.

        A turned pod is held against minus the setting's angle.
        """
        angles = self.setting_deg()
        return tuple(
            ((-1.0 if reading.turned else 1.0) * angles[reading.setting], reading.value_deg)
            for reading in self.pod_readings
        )
