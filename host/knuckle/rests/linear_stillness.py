"""The state machine over the cells of a linear channel: moving, still.

The same ideas as for the other sensors (`rests.stillness`), for one axis that may be coarse: a
caliper at rest repeats one number, so its scatter is zero and a step of one count says nothing.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final, Literal

from knuckle.rests.linear_cells import LinearCell
from knuckle.rests.noise_floor import SensorFloor
from knuckle.rests.reading import LEAST_SIGMA_LINEAR_MM

_NOISE: Final = 4.5
"""Sigmas of one cell mean beyond which it stands apart."""
_CHANGED: Final = 20.0
"""Square of a difference of means over its variance, from which the level has changed."""
_RETURN_CELLS: Final = 3
_MEMORY_S: Final = 5.0
_LOOK_BACK_S: Final = 3.0
_YOUNG_S: Final = 1.6
"""A change so soon after a rest's start is settling: the rest begins later."""
_REFERENCE_S: Final = 20.0
_WIDTHS_S: Final = (0.3, 1.0, 3.0)
_LOUDER: Final = 6.0
"""Noise power of a window over the floor that is believed only if it lasts for long."""
_MEDIAN_ALLOWS: Final = 1.5
_UNDITHERED: Final = 0.1
"""Scatter within a cell, in steps, below which the steps themselves are what is read."""


@dataclass(frozen=True, slots=True)
class LinearRestSettings:
    """What a person means by "still"; noise is measured, and never among these figures.

    Attributes
    ----------
    cell_s : float
        Length of the groups of samples in which everything is judged, in s.
    ready_s : float
        Still time needed before a rest is announced.
    ready_louder_s : float
        The same where the channel is louder than it was at rest before.
    shortest_s : float
        A shorter stretch is not a rest once disturbed and creeping cells are left out.
    level_tolerance_mm : float
        A lasting change below this is never taken for a move.
    slope_tolerance_mm_s : float
        Sliding faster than this is no rest.
    longest_knock_s : float
        A disturbance that is over within this time does not end a rest.
    loudness : float
        Power within a cell over the noise floor from which it is disturbed.
    ceiling_mm : float
        Scatter of cell means, one sigma, above which nothing counts as still.
    """

    cell_s: float = 0.1
    ready_s: float = 0.8
    ready_louder_s: float = 3.0
    shortest_s: float = 0.8
    level_tolerance_mm: float = 0.06
    slope_tolerance_mm_s: float = 0.1
    longest_knock_s: float = 0.8
    loudness: float = 6.0
    ceiling_mm: float = 0.15


@dataclass(frozen=True, slots=True)
class LinearClosing:
    """A rest as cells of its stretch: the first, one flag for each, and what went on."""

    first: int
    good: tuple[bool, ...]
    knocks: int
    start_s: float
    end_s: float

    @property
    def end(self) -> int:
        """One past the last cell."""
        return self.first + len(self.good)


@dataclass(frozen=True, slots=True)
class LinearNotice:
    """What a cell has settled; "ready" and "closed" carry the rest."""

    kind: Literal["ready", "closed", "knock"]
    at_s: float
    closing: LinearClosing | None = None


@dataclass(slots=True)
class _Open:
    """A rest that goes on: sums over its good cells, and a disturbance that is not over."""

    first: int
    cells: list[LinearCell] = field(default_factory=list)
    good: list[bool] = field(default_factory=list)
    sums: list[float] = field(default_factory=lambda: [0.0])
    knocks: int = 0
    pending: list[tuple[bool, LinearCell]] = field(default_factory=list)
    good_run: int = 0
    last_mean: float | None = None

    def add(self, cell: LinearCell, good: bool) -> None:
        self.good.append(good)
        self.cells.append(cell)
        if good:
            self.sums.append(self.sums[-1] + cell.mean)

    def mean(self, first: int, end: int) -> float:
        return (self.sums[end] - self.sums[first]) / (end - first)

    def begin_later(self, cells: int) -> None:
        """Leave the first cells out: the channel had not settled yet."""
        kept = list(zip(self.cells[cells:], self.good[cells:], strict=True))
        self.first += cells
        self.cells, self.good, self.sums = [], [], [0.0]
        for cell, good in kept:
            self.add(cell, good)

    def closing(self, cells: int) -> LinearClosing:
        start_s = self.cells[0].start_s
        last_s = self.cells[cells - 1].end_s if cells else start_s
        return LinearClosing(self.first, tuple(self.good[:cells]), self.knocks, start_s, last_s)


class LinearStillness:
    """Cells in, notices out. Positions are cells counted from the stretch's first sample."""

    def __init__(
        self, size: int, rate_hz: float, resolution_mm: float, settings: LinearRestSettings
    ) -> None:
        cell_s = size / rate_hz
        self.floor = SensorFloor(LEAST_SIGMA_LINEAR_MM)
        self._floor_known = False
        self._cell_s = cell_s
        self._step_mm = resolution_mm
        self._settings = settings
        self._size = size
        self._loud = max(settings.loudness, 1.0 + 7.0 * math.sqrt(2.0 / (size - 1)))
        self._width = max(4, round(settings.ready_s / cell_s))
        self._long_width = max(self._width, round(settings.ready_louder_s / cell_s))
        self._longest_knock = max(2, round(settings.longest_knock_s / cell_s))
        self._young = max(self._width + 1, round(_YOUNG_S / cell_s))
        self._memory = max(8, round(_MEMORY_S / cell_s))
        self._reference = max(6, round(_REFERENCE_S / cell_s))
        self._widths = [max(3, round(s / cell_s)) for s in _WIDTHS_S]
        self._look_back = self._long_width + round(_LOOK_BACK_S / cell_s)
        self.new_stretch()

    def new_stretch(self) -> None:
        """Begin at cell 0 of another stretch; the noise stays known."""
        self._history: deque[LinearCell] = deque(maxlen=self._look_back)
        self._next = 0
        self._earliest = 0
        self._open: _Open | None = None

    @property
    def between(self) -> float:
        """Variance of a cell mean: as seen from cell to cell, and no less than white noise's.

        A few cells tell little of their scatter; their many samples tell it well.
        """
        return max(self.floor.between, self.floor.inner / self._size)

    @property
    def still(self) -> bool:
        """Whether the channel stands."""
        return self._open is not None and not self._open.pending

    def going(self) -> LinearClosing | None:
        """Return the rest that goes on, without a disturbance that is not over."""
        return None if self._open is None else self._open.closing(len(self._open.good))

    def needed_from(self) -> int:
        """Return the first cell whose samples may still be asked for."""
        if self._open is not None:
            return self._open.first
        return max(self._earliest, self._next - self._look_back)

    def push(self, cell: LinearCell) -> Iterator[LinearNotice]:
        """Take the next cell."""
        number = self._next
        self._next += 1
        self._history.append(cell)
        rest = self._open
        if rest is None:
            self._look(number)
            if self._open is not None:
                yield LinearNotice("ready", cell.end_s, self.going())
            return
        good = self._is_good(cell, rest)
        if rest.pending or not good:
            yield from self._doubt(rest, cell, good)
        else:
            self._take_in(rest, cell)
        if not rest.pending and self._open is not None:
            changed = self._changed(rest)
            before = len(rest.good) - changed
            if changed and len(rest.sums) - 1 <= self._young:
                rest.begin_later(before)
            elif changed:
                yield self._close(rest, before, cell)

    # ---- a rest that goes on

    def _is_good(self, cell: LinearCell, rest: _Open) -> bool:
        end = len(rest.sums) - 1
        level = rest.mean(max(0, end - self._reference), end)
        allowed = max(
            _NOISE * math.sqrt(self.between),
            self._coarse(self.floor.inner),
            self._settings.level_tolerance_mm,
        )
        return abs(cell.mean - level) <= allowed and cell.inner <= self._loud * self._inner_floor

    @property
    def _inner_floor(self) -> float:
        # Between two neighbouring steps a reading may jump without anything being moved.
        return max(self.floor.inner, self._step_mm**2 / 4.0, 1e-8)

    def _take_in(self, rest: _Open, cell: LinearCell) -> None:
        if rest.last_mean is not None:
            half_step = (cell.mean - rest.last_mean) ** 2 / 2.0
            self.floor.learn(cell.inner, half_step, 0.0, self._memory)
        rest.last_mean = cell.mean
        rest.add(cell, True)

    def _doubt(self, rest: _Open, cell: LinearCell, good: bool) -> Iterator[LinearNotice]:
        rest.pending.append((good, cell))
        rest.good_run = rest.good_run + 1 if good else 0
        if rest.good_run >= _RETURN_CELLS:
            rest.knocks += 1
            rest.last_mean = None
            flags = [flag for flag, _ in rest.pending]
            # A knock rarely begins or ends with a cell: its neighbours are left out too.
            flags[-_RETURN_CELLS] = False
            rest.good[-1] = False
            for flag, (_, seen) in zip(flags, rest.pending, strict=True):
                rest.add(seen, flag)
            rest.pending = []
            yield LinearNotice("knock", cell.end_s)
        elif len(rest.pending) - rest.good_run > self._longest_knock:
            yield self._close(rest, len(rest.good), cell)

    def _changed(self, rest: _Open) -> int:
        """Return over how many of the last cells the level differs, or 0."""
        end = len(rest.sums) - 1
        for width in self._widths:
            turn = end - width
            first = max(0, turn - self._reference)
            if turn - first < max(3, width // 2):
                continue
            apart = abs(rest.mean(turn, end) - rest.mean(first, turn))
            variance = self.between * (1.0 / width + 1.0 / (turn - first))
            least = max(self._settings.level_tolerance_mm, self._coarse(self.floor.inner))
            if apart > max(least, math.sqrt(_CHANGED * variance)):
                return min(width, len(rest.good))
        return 0

    def _coarse(self, inner: float) -> float:
        """Return the step where it is what is seen, 0 where noise lets the mean see below it."""
        return self._step_mm if inner < (_UNDITHERED * self._step_mm) ** 2 else 0.0

    def _close(self, rest: _Open, cells: int, cell: LinearCell) -> LinearNotice:
        self._open = None
        self._earliest = rest.first + max(cells, 0)
        while cells and not rest.good[cells - 1]:
            cells -= 1
        return LinearNotice("closed", cell.end_s, rest.closing(max(cells, 0)))

    # ---- no rest yet

    def _look(self, number: int) -> None:
        """Open a rest if the last cells stand."""
        available = min(number - self._earliest + 1, len(self._history))
        recent = list(self._history)[len(self._history) - available :]
        for width in (self._width, self._long_width):
            if available < width:
                return
            window = recent[-width:]
            between = self._noise_if_still(window)
            if between is None:
                continue
            inner = sum(cell.inner for cell in window) / width
            least = max(self._step_mm**2, self._settings.level_tolerance_mm**2) / 2.0
            louder = self._floor_known and (
                between > _LOUDER * (1.0 + 8.0 / self.floor.cells) * max(self.between, least)
                or inner > self._loud * self._inner_floor
            )
            if louder and width < self._long_width:
                continue
            if not self._floor_known or louder:
                self.floor.restart(inner, between, 0.0, width)
                self._floor_known = True
            self._begin(number, recent, width)
            return

    def _noise_if_still(self, window: list[LinearCell]) -> float | None:
        """Return the variance of a cell mean if the window stands, else None."""
        s = self._settings
        means = [cell.mean for cell in window]
        width = len(means)
        between = self._between_of(means)
        sigma = math.sqrt(between)
        if self._floor_known and width == self._width:
            # What is known of the noise tells a beginning that still settles from noise.
            sigma = min(sigma, 2.0 * math.sqrt(self.between))
        inner = sorted(cell.inner for cell in window)
        if sigma > max(s.ceiling_mm, self._step_mm):
            return None
        if inner[-1] > self._loud * max(inner[width // 2], self._step_mm**2 / 4.0, 1e-8):
            return None
        coarse = self._coarse(inner[width // 2])
        half = width // 2
        middle = (width - 1) / 2.0
        level = sum(means) / width
        apart = abs(sum(means[-half:]) - sum(means[:half])) / half
        slid = abs(sum((j - middle) * (mean - level) for j, mean in enumerate(means)))
        spread = sum((j - middle) ** 2 for j in range(width))
        slope_mm_s = slid / spread / self._cell_s
        slope_sigma = sigma / math.sqrt(spread) / self._cell_s
        length_s = width * self._cell_s
        slowest = max(s.slope_tolerance_mm_s, coarse / length_s)
        if (
            max(abs(mean - level) for mean in means)
            > max(_NOISE * sigma, coarse, s.level_tolerance_mm)
            or apart
            > max(s.slope_tolerance_mm_s * length_s / 2.0, coarse)
            + 3.0 * sigma * math.sqrt(2.0 / half)
            or slope_mm_s > slowest + 3.0 * slope_sigma
        ):
            return None
        return between

    def _between_of(self, means: list[float]) -> float:
        """Return the variance of a cell mean by its steps, blind to slow change.

        The median keeps the large steps of a beginning that still settles from counting as
        noise; 0.954 = 0.6745 x the root of 2 makes it one sigma of white noise.
        """
        steps = sorted(abs(b - a) for a, b in pairwise(means))
        square = sum(step * step for step in steps) / (2.0 * len(steps))
        middle = _MEDIAN_ALLOWS * steps[len(steps) // 2] / 0.954
        return max(min(square, middle * middle), self.floor.least**2)

    def _begin(self, number: int, recent: list[LinearCell], width: int) -> None:
        """Open a rest over the last `width` cells and over what stands before them."""
        cells = recent[-width:]
        rest = _Open(number - width + 1)
        for cell in cells:
            rest.add(cell, True)
        before = 0
        for cell in reversed(recent[:-width]):
            if not self._is_good(cell, rest):
                break
            before += 1
        whole = recent[len(recent) - width - before :]
        rest = _Open(number - width - before + 1)
        for cell in whole:
            rest.add(cell, True)
        rest.last_mean = whole[-1].mean
        self._open = rest
