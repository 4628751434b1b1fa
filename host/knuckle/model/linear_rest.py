"""A stretch in which one linear channel stood still."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LinearRest:
    """The averaged reading of one rest of one linear channel.

    Attributes
    ----------
    channel : int
        Which of the pod's linear channels, from 1, in the hello's order.
    start_s, end_s : float
        Pod time of the first and last sample used, in s.
    first, end : int
        The samples from which the rest was taken, as positions in the whole recording
        (`end` exclusive).
    stretch : int
        The block's stretch in which the rest lies.
    count : int
        Samples in the mean.
    effective_count : float
        Effective sample size, within [1, count].
    reading_mm : float
        Mean reading as the pod sends it, before any calibration.
    noise_mm : float
        Standard uncertainty of that mean by its scatter alone.
    resolution_mm : float
        Smallest step of the reading: equal readings hide what is smaller.
    knocks : int
        Short disturbances that were left out.
    ended : bool
        False while the channel still stands (the mean may grow).
    """

    channel: int
    start_s: float
    end_s: float
    first: int
    end: int
    stretch: int
    count: int
    effective_count: float
    reading_mm: float
    noise_mm: float
    resolution_mm: float
    knocks: int
    ended: bool

    @property
    def duration_s(self) -> float:
        """Length of the rest, in s."""
        return self.end_s - self.start_s

    @property
    def u_mm(self) -> float:
        """Standard uncertainty of the reading: its noise, and half a step either way.

        A step of q leaves q / sqrt(12), GUM (JCGM 100:2008) F.2.2.1.
        """
        return math.hypot(self.noise_mm, self.resolution_mm / math.sqrt(12.0))
