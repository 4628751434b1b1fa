"""The level of a rest: where its cell means stand, and whether the latest have left it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from knuckle.rests.bias import Vector
from knuckle.rests.noise_floor import NoiseFloor
from knuckle.rests.settings import RestSettings

_NEAR = 16.0
"""Square of the distance from the level, over the variance, from which a cell is disturbed."""
_CHANGED = 14.0
"""The same for the mean of several cells, from which the level has changed."""
_DOUBT_S = 0.8
_ACCEL_REFERENCE_S = 20.0
_GYRO_REFERENCE_S = 1.0
"""At least: twice the window. The gyro tells a step of rate; creep must not look like one."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A disturbance over which the gyro turned: was it a knock, or has the wheel moved?

    Attributes
    ----------
    first, last : int
        The disturbed cells, as positions in the stretch.
    turned_deg : tuple of float
        What the gyro says, as a rotation vector.
    before : int
        Good cells of the level before the disturbance.
    due : int
        Good cells at which it is to be decided.
    """

    first: int
    last: int
    turned_deg: Vector
    before: int
    due: int


class _Track:
    """Running sums of one sensor's good cells."""

    def __init__(self, reference: int) -> None:
        self._x, self._y, self._z = [0.0], [0.0], [0.0]
        self._reference = reference

    def __len__(self) -> int:
        return len(self._x) - 1

    def add(self, mean: list[float]) -> None:
        self._x.append(self._x[-1] + mean[0])
        self._y.append(self._y[-1] + mean[1])
        self._z.append(self._z[-1] + mean[2])

    def mean(self, first: int, end: int) -> Vector:
        n = end - first
        return (
            (self._x[end] - self._x[first]) / n,
            (self._y[end] - self._y[first]) / n,
            (self._z[end] - self._z[first]) / n,
        )

    def recent(self) -> Vector:
        """Mean over the reference length."""
        end = len(self)
        return self.mean(max(0, end - self._reference), end)

    def contrast(self, width: int) -> tuple[float, float] | None:
        """Square of the last `width` cells' distance from those before; variance factor."""
        end = len(self)
        turn = end - width
        first = max(0, turn - max(self._reference, 2 * width))
        if turn - first < max(3, width // 2):
            return None
        x, y, z = self.mean(turn, end)
        u, v, w = self.mean(first, turn)
        square = (x - u) ** 2 + (y - v) ** 2 + (z - w) ** 2
        return square, 1.0 / width + 1.0 / (turn - first)

    def since(self, width: int) -> int:
        """Return how many of the last cells stand apart most, where `width` of them do."""
        best, since = 0.0, width
        for cells in range(1, min(2 * width, len(self) - 3) + 1):
            contrast = self.contrast(cells)
            if contrast is not None and contrast[0] > best * contrast[1]:
                best, since = contrast[0] / contrast[1], cells
        return since


class Level:
    """Means of a rest's undisturbed cells so far.

    Parameters
    ----------
    cell_s : float
        Length of a cell.
    floor : NoiseFloor
        Kept by reference: always the latest.
    """

    def __init__(
        self, cell_s: float, floor: NoiseFloor, settings: RestSettings, has_gyro: bool
    ) -> None:
        self._floor = floor
        self._cell_s = cell_s
        self._accel = _Track(max(4, round(_ACCEL_REFERENCE_S / cell_s)))
        self._gyro = _Track(max(6, round(_GYRO_REFERENCE_S / cell_s))) if has_gyro else None
        self._rate = settings.rate_tolerance_dps
        self._rate2 = self._rate**2
        self._level2 = settings.level_tolerance_g**2
        self._slope = settings.slope_tolerance_g_s
        self._accel_widths = [max(3, round(s / cell_s)) for s in (0.3, 1.0, 3.0)]
        self.rate_changed = False
        """Whether the last change was seen by the gyro."""

    def add(self, accel: list[float], gyro: list[float] | None) -> None:
        """Take in one more undisturbed cell."""
        self._accel.add(accel)
        if self._gyro is not None and gyro is not None:
            self._gyro.add(gyro)

    def near(self, accel: list[float], gyro: list[float] | None) -> bool:
        """Tell whether a single cell stands where the rest stands."""
        x, y, z = self._accel.recent()
        square = (accel[0] - x) ** 2 + (accel[1] - y) ** 2 + (accel[2] - z) ** 2
        if square > max(_NEAR * self._floor.accel.between, self._level2):
            return False
        if self._gyro is None or gyro is None:
            return True
        x, y, z = self._gyro.recent()
        square = (gyro[0] - x) ** 2 + (gyro[1] - y) ** 2 + (gyro[2] - z) ** 2
        return square <= max(_NEAR * self._floor.gyro.between, 4.0 * self._rate2)

    def changed(self) -> int | None:
        """Return over how many of the last good cells the level differs, or None."""
        self.rate_changed = False
        if self._gyro is not None:
            variance = self._floor.gyro.between
            width = self._gyro_width(variance)
            contrast = self._gyro.contrast(width)
            if contrast is not None and contrast[0] > max(
                (self._rate + math.sqrt(variance * contrast[1])) ** 2,
                _CHANGED * variance * contrast[1],
            ):
                self.rate_changed = True
                return self._gyro.since(width)
        variance = self._floor.accel.between
        for width in self._accel_widths:
            contrast = self._accel.contrast(width)
            if contrast is not None and contrast[0] > max(
                self._level2, _CHANGED * variance * contrast[1]
            ):
                return self._accel.since(width)
        return None

    def _gyro_width(self, variance: float) -> int:
        """As many cells as make the rate tolerance stand out from the noise, 0.3 to 3 s."""
        least = max(3, round(0.3 / self._cell_s))
        most = max(least, round(3.0 / self._cell_s))
        return min(most, max(least, math.ceil(_CHANGED * variance / self._rate2)))

    @property
    def cells(self) -> int:
        """Good cells so far."""
        return len(self._accel)

    def turn(self, turned_deg: list[float], gyro: list[float]) -> None:
        """Add a disturbed cell's turn, against the rest's level, to `turned_deg`."""
        assert self._gyro is not None
        level = self._gyro.recent()
        for k in range(3):
            turned_deg[k] += (gyro[k] - level[k]) * self._cell_s

    def doubt(self, first: int, last: int, turned_deg: list[float]) -> Doubt:
        """Note a disturbance that has just ended, before its good cells are added."""
        turned = (turned_deg[0], turned_deg[1], turned_deg[2])
        after = max(3, round(_DOUBT_S / self._cell_s))
        return Doubt(first, last, turned, self.cells, self.cells + after)

    def has_turned(self, doubt: Doubt) -> bool | None:
        """Tell whether the accelerometer confirms a turn, denies it, or cannot tell (None)."""
        first = max(0, doubt.before - round(3.0 / self._cell_s))
        count = doubt.before - first, self.cells - doubt.before
        if min(count) < 3:
            return None
        return self._confirms(
            self._accel.mean(first, doubt.before),
            self._accel.mean(doubt.before, self.cells),
            doubt.turned_deg,
            1.0 / count[0] + 1.0 / count[1],
        )

    def agrees(self, earlier: list[list[float]]) -> bool:
        """Tell whether the accelerometer stood at the same place in some earlier cells."""
        n = len(earlier)
        x, y, z = (sum(cell[k] for cell in earlier) / n for k in range(3))
        apart = math.dist((x, y, z), self._accel.mean(0, self.cells))
        over = 1.0 / n + 1.0 / self.cells
        return apart * apart <= max(self._level2, _CHANGED * self._floor.accel.between * over)

    def turned_since(self, earlier: list[list[float]], turned_deg: list[float]) -> bool | None:
        """Tell the same of a turn between some earlier cells and the whole level."""
        n = len(earlier)
        if min(n, self.cells) < 3:
            return None
        x, y, z = (sum(cell[k] for cell in earlier) / n for k in range(3))
        return self._confirms(
            (x, y, z),
            self._accel.mean(0, self.cells),
            (turned_deg[0], turned_deg[1], turned_deg[2]),
            1.0 / n + 1.0 / self.cells,
        )

    def _confirms(self, u: Vector, v: Vector, turned_deg: Vector, over: float) -> bool | None:
        """Hold the change from u to v against none and against what the turn would make.

        Up in pod axes changes by u x turn (du/dt = -w x u).
        """
        r = [math.radians(x) for x in turned_deg]
        told = (u[1] * r[2] - u[2] * r[1], u[2] * r[0] - u[0] * r[2], u[0] * r[1] - u[1] * r[0])
        read = (v[0] - u[0], v[1] - u[1], v[2] - u[2])
        if sum(x * x for x in told) < 4.0 * self._floor.accel.between * over:
            return None
        return math.dist(read, told) < math.hypot(*read)

    def latest(self) -> tuple[Vector, Vector, float]:
        """Return gyro and accelerometer means of the latest cells and the gyro's variance."""
        assert self._gyro is not None
        variance = self._floor.gyro.between
        width = min(len(self._gyro), max(self._gyro_width(variance), round(0.4 / self._cell_s)))
        return self._side(len(self._gyro) - width, len(self._gyro))

    def sides(
        self, changed: int
    ) -> tuple[tuple[Vector, Vector, float], tuple[Vector, Vector, float]]:
        """Return the same of the cells before the last `changed`, and of these."""
        turn = self.cells - changed
        return self._side(0, turn), self._side(turn, self.cells)

    def _side(self, first: int, end: int) -> tuple[Vector, Vector, float]:
        assert self._gyro is not None
        variance = self._floor.gyro.between / (end - first)
        return self._gyro.mean(first, end), self._accel.mean(first, end), variance

    def steady(self) -> bool:
        """Tell whether the accelerometer shows no drift between the rest's thirds."""
        n = len(self._accel)
        third = n // 3
        if third == 0:
            return False
        early = self._accel.mean(0, third)
        late = self._accel.mean(n - third, n)
        moved = math.sqrt(sum((a - b) ** 2 for a, b in zip(early, late, strict=True)))
        sigma = math.sqrt(2.0 * self._floor.accel.between / third)
        return moved + 2.0 * sigma < 2.0 * self._slope * (n - third) * self._cell_s
