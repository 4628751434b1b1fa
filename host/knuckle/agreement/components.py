"""Repeatability and reproducibility: which part of the scatter comes from where."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Pooled:
    """A standard deviation pooled over groups."""

    sd: float
    freedom: int


@dataclass(frozen=True, slots=True)
class Components:
    """One-way components of variance.

    Attributes
    ----------
    within : float
        Repeatability: standard deviation in one group.
    within_freedom : int
    between : float
        What groups add (0 where the means scatter no more than readings explain).
    between_freedom : int
    reproducibility : float
        Standard deviation of a single reading in a new group: root of the sum of squares.
    """

    within: float
    within_freedom: int
    between: float
    between_freedom: int

    @property
    def reproducibility(self) -> float:
        """Standard deviation of a single reading in a new group."""
        return math.hypot(self.within, self.between)


def pool(sds: npt.ArrayLike, freedoms: npt.ArrayLike) -> Pooled:
    """Return the standard deviation of groups with a common scatter.

    Raises
    ------
    ValueError
        Without any degree of freedom.

    Notes
    -----
    NIST/SEMATECH e-Handbook 2.4.4.1: root of sum(freedom sd^2) / sum(freedom).
    """
    s, nu = np.asarray(sds, dtype=np.float64), np.asarray(freedoms, dtype=np.int64)
    total = int(nu.sum())
    if total < 1:
        raise ValueError("a pooled scatter takes one degree of freedom or more")
    return Pooled(math.sqrt(float(np.sum(nu * s**2)) / total), total)


def within_groups(groups: Sequence[npt.ArrayLike]) -> Pooled:
    """Return the scatter within groups; groups of one say nothing.

    Raises
    ------
    ValueError
        If no group has two members.
    """
    arrays = [np.asarray(group, dtype=np.float64) for group in groups]
    arrays = [group for group in arrays if group.shape[0] > 1]
    return pool([g.std(ddof=1) for g in arrays], [g.shape[0] - 1 for g in arrays])


def pair_repeatability(first: npt.ArrayLike, second: npt.ArrayLike) -> float:
    """Return the standard deviation of the difference of a repeated reading from the first.

    Notes
    -----
    Bland & Altman, Lancet 327 (1986), "Repeatability": root of the mean squared difference of
    pairs, the mean being taken as zero. A single reading scatters by this over sqrt(2).
    """
    d = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    return math.sqrt(float(np.mean(d**2)))


def between_groups(groups: Sequence[npt.ArrayLike]) -> tuple[Pooled, float]:
    """Return the root of the mean square between groups, and their typical size.

    Raises
    ------
    ValueError
        With fewer than two groups.

    Notes
    -----
    NIST/SEMATECH e-Handbook 7.4.3; typical size n0 = (N - sum n_i^2 / N) / (k - 1).
    """
    arrays = [np.asarray(group, dtype=np.float64) for group in groups]
    sizes = np.array([group.shape[0] for group in arrays], dtype=np.float64)
    k, total = len(arrays), float(sizes.sum())
    if k < 2:
        raise ValueError("components take two groups or more")
    means = np.array([group.mean() for group in arrays])
    grand = float(np.sum(sizes * means) / total)
    square = float(np.sum(sizes * (means - grand) ** 2)) / (k - 1)
    return Pooled(math.sqrt(square), k - 1), (total - float(np.sum(sizes**2)) / total) / (k - 1)


def components(groups: Sequence[npt.ArrayLike]) -> Components:
    """Split the scatter of readings in groups; groups may differ in size.

    Parameters
    ----------
    groups : sequence of array_like
        Readings of one thing; a group for each seating (or day, or operator).

    Raises
    ------
    ValueError
        Unless there are two groups or more and one of them has two readings or more.

    Notes
    -----
    Analysis of variance by moments: between = (MS_between - MS_within) / n0 with n0 = (N - sum
    n_i^2 / N) / (k - 1); NIST/SEMATECH e-Handbook 7.4.3 and, for reproducibility as what comes
    on top of repeatability, ISO 5725-2.
    """
    within = within_groups(groups)
    between, typical = between_groups(groups)
    variance = max(0.0, (between.sd**2 - within.sd**2) / typical)
    return Components(within.sd, within.freedom, math.sqrt(variance), between.freedom)
