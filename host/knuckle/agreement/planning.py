"""How long a design must be: how surely it passes a good pod, reckoned beforehand."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import stdtrit
from scipy.stats import chi2

from knuckle.agreement.comparison import Comparison, PodReading, ReferenceReading
from knuckle.agreement.design import SIZES, Design, Step, different_angles, steps_of
from knuckle.agreement.joint import best_terms, solved
from knuckle.agreement.limits import WIDTH
from knuckle.agreement.reference import Reference
from knuckle.agreement.rows import COMMON, Rows, Source, Terms, rows_of, seating_scatter
from knuckle.agreement.verdict import CONFIDENCE, LEAST_SEATING_FREEDOM, reading_variance
from knuckle.model.block import FloatArray

ERROR: Final = 0.25
SCATTER: Final = 0.1
"""The good pod that is planned for: an error of a quarter of the tolerance wherever it stands, and
readings that scatter by a tenth of it on top (one sigma)."""
WANTED: Final = 0.9
"""Of such pods pass."""
AIM: Final = 0.93
"""Aimed at, for what the reckoning leaves out."""
DRAWS: Final = 2000
_ROUGHLY_DEG: Final = 0.2
"""Over which angles are met when they are set roughly."""


@dataclass(frozen=True)
class Planned:
    """A design of some size.

    Attributes
    ----------
    design : Design
    steps : tuple of Step
    chance : float
        Of a good pod to pass.
    longer : bool
        Longer than the shortest of its kind.
    """

    design: Design
    steps: tuple[Step, ...]
    chance: float
    longer: bool = False

    @property
    def enough(self) -> bool:
        """Whether a good pod passes as often as is wanted."""
        return self.chance >= WANTED


def planned(
    design: Design,
    low_deg: float,
    high_deg: float,
    reference: Reference,
    tolerance_deg: float,
    *,
    angles: int | None = None,
    seatings: int | None = None,
    keep_seated: bool = False,
    shared_u_deg: float | None = None,
) -> Planned:
    """Return the shortest size of a design that passes a good pod, else the shortest of all.

    Parameters
    ----------
    design, low_deg, high_deg, angles, seatings, keep_seated
        As `steps_of`; what is given is kept.
    reference : Reference
    tolerance_deg : float
    shared_u_deg : float or None
        Of a sine bar: standard uncertainty that a stack leaves.

    Raises
    ------
    ValueError
        As `steps_of`.
    """
    found: list[Planned] = []
    for size in SIZES[design]:
        steps = steps_of(
            *(design, low_deg, high_deg),
            angles=angles,
            seatings=seatings,
            keep_seated=keep_seated,
            size=size,
        )
        if found and len(steps) == len(found[-1].steps):
            continue
        chance = chance_to_pass(steps, reference, tolerance_deg, shared_u_deg)
        found.append(Planned(design, steps, chance, bool(found)))
        if found[-1].chance >= AIM:
            return found[-1]
    best = max(found, key=lambda one: one.chance)
    return best if best.enough else found[0]


def better_design(
    low_deg: float,
    high_deg: float,
    reference: Reference,
    tolerance_deg: float,
    shared_u_deg: float | None = None,
) -> Planned:
    """Return the shortest design over the range that passes a good pod, else the surest."""
    tried = [
        planned(d, low_deg, high_deg, reference, tolerance_deg, shared_u_deg=shared_u_deg)
        for d in _WHOLE_RANGE
    ]
    enough = [one for one in tried if one.enough]
    if enough:
        return min(enough, key=lambda one: len(one.steps))
    return max(tried, key=lambda one: one.chance)


_WHOLE_RANGE: Final = (Design.LINEAR, Design.UP_DOWN, Design.FULL)


def chance_to_pass(
    steps: tuple[Step, ...],
    reference: Reference,
    tolerance_deg: float,
    shared_u_deg: float | None = None,
) -> float:
    """Return how often a good pod would pass.

    Parameters
    ----------
    steps : tuple of Step
    reference : Reference
        Its errors are drawn from what it states.
    tolerance_deg : float
    shared_u_deg : float or None
        As `planned`.

    Notes
    -----
    The rule of `judge` with its inputs drawn: the error's estimate over the range from its
    covariance, the scatter's from chi-squared. Seeded, so the same plan gives the same figure.
    """
    comparison = _expected(steps, reference, shared_u_deg)
    try:
        terms = best_terms(comparison)
        rows = rows_of(comparison, terms)
        freedom = rows.design.shape[0] - rows.design.shape[1]
        if freedom < 1:
            return 0.0
        s0 = SCATTER * tolerance_deg
        _, covariance = solved(rows, s0)
    except (ValueError, np.linalg.LinAlgError):
        return 0.0
    shapes = _shapes(rows, terms)
    common = _variance(shapes, covariance, COMMON)
    seat = _variance(shapes, covariance, (Source.SEATING,))
    random = _variance(shapes, covariance, (Source.POD, Source.READING, Source.RESOLUTION))
    rng = np.random.default_rng(1)
    noise = _drawn(rng, shapes, sum(covariance.values(), np.zeros((shapes.shape[1],) * 2)))
    s, high, ratio = _scatter(rng, comparison, s0, float(freedom), reading_variance(comparison))
    largest = np.abs(ERROR * tolerance_deg + noise) + WIDTH * s
    u2 = random * ratio**2 + common + seat
    reach = stdtrit(_freedom(random * ratio**2, u2, freedom), 0.5 + CONFIDENCE / 2.0)
    upper = largest + np.hypot(reach * np.sqrt(u2), WIDTH * (high - s))
    return float(np.mean(np.max(upper, axis=0) <= tolerance_deg))


def _expected(
    steps: tuple[Step, ...], reference: Reference, shared_u_deg: float | None
) -> Comparison:
    angles: dict[int, float] = {}
    for step in steps:
        # Stacks set an angle exactly, and are the same stacks each time.
        off = (0.618034 * (step.setting + 1)) % 1.0 - 0.5 if shared_u_deg is None else 0.0
        angles.setdefault(step.setting, step.target_deg + off * _ROUGHLY_DEG)
    shown = []
    mark = reference.resolution_deg
    for setting, angle in angles.items():
        shows = round(angle / mark) * mark if mark else angle
        shown.append(ReferenceReading(setting, shows, shared_u_deg=shared_u_deg))
    read = []
    for index, one in enumerate(steps):
        stood = -angles[one.setting] if one.turned else angles[one.setting]
        read.append(
            PodReading(
                *(one.setting, stood, 0.0, one.seat, one.turned, one.direction), time_s=20.0 * index
            )
        )
    return Comparison(reference, tuple(shown), tuple(read), different_angles(steps))


def _shapes(rows: Rows, terms: Terms) -> FloatArray:
    """Return the slopes of the error by the unknowns, a row for each angle and side."""
    scaled = np.linspace(-1.0, 1.0, 21) if terms.order else np.zeros(1)
    sides = (1.0, -1.0) if terms.hysteresis else (0.0,)
    shapes = np.zeros((len(sides), scaled.shape[0], rows.design.shape[1]))
    for index, side in enumerate(sides):
        for power in range(terms.order + 1):
            shapes[index, :, rows.place[f"error {power}"]] = scaled**power
        if terms.hysteresis:
            shapes[index, :, rows.place["hysteresis"]] = 0.5 * side
    return shapes.reshape(-1, rows.design.shape[1])


def _variance(
    shapes: FloatArray, covariance: dict[Source, FloatArray], sources: tuple[Source, ...]
) -> FloatArray:
    none = np.zeros((shapes.shape[1],) * 2)
    whole = sum((covariance[name] for name in sources if name in covariance), none)
    return np.asarray(np.einsum("iu,uv,iv->i", shapes, whole, shapes))[:, None]


def _drawn(rng: np.random.Generator, shapes: FloatArray, covariance: FloatArray) -> FloatArray:
    matrix = shapes @ covariance @ shapes.T
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2.0)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(root @ rng.standard_normal((root.shape[1], DRAWS)))


def _freedom(random: FloatArray, whole: FloatArray, freedom: int) -> FloatArray:
    """Return effective degrees of freedom (GUM G.2b) where only the random part has few."""
    return np.asarray(np.minimum(freedom * (whole / np.maximum(random, 1e-18)) ** 2, 1e9))


def _scatter(
    rng: np.random.Generator, comparison: Comparison, s0: float, freedom: float, stated: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Draw the scatter, its upper bound, and how the random part of u goes with it."""
    tail = 0.5 - CONFIDENCE / 2.0
    whole = (s0**2 + stated) * rng.chisquare(freedom, DRAWS) / freedom
    s = np.sqrt(np.maximum(whole - stated, 0.0))
    high = np.sqrt(np.maximum((s**2 + stated) * freedom / chi2.ppf(tail, freedom) - stated, 0.0))
    ratio = np.sqrt((s**2 + stated) / (s0**2 + stated))
    seats = seating_scatter(comparison.pod_readings)
    if seats is not None and seats.freedom >= LEAST_SEATING_FREEDOM:
        seated = s0 * np.sqrt(rng.chisquare(seats.freedom, DRAWS) / seats.freedom)
        larger = np.maximum(seated, s)
        better = larger**4 / seats.freedom < (larger**2 + stated) ** 2 / freedom
        above = math.sqrt(seats.freedom / chi2.ppf(tail, seats.freedom))
        high = np.where(better, larger * above, high)
        s = np.where(better, larger, s)
    return s, high, ratio
