"""Whether the last cells could be the beginning of a rest."""

from __future__ import annotations

from dataclasses import dataclass

from knuckle.rests.cells import Cells, SensorWindows, sensor_windows
from knuckle.rests.noise_floor import NoiseFloor, SensorFloor
from knuckle.rests.settings import RestSettings

_HALVES = 16.0
_STRAY = 20.0
_SLOPE = 12.0
"""Squares of distances over their variances, beyond which a window is not still."""
_LOUDER = 3.0
"""Noise power of a window over the floor."""
_SLOPE_AT_LEAST_G_S = 2e-3
_BURST = 1.6
"""Loudest cell over the quieter half, in units of the loudness, from which it is a knock."""
_NEW_FLOOR_S = 3.0
"""Louder than the floor, or swinging as in a hand, but as steadily as only a machine does for
so long: that is a floor too."""
_NEW_FLOOR_SPREAD = 1.6
_NEARLY_STILL_DPS = 0.5
_NEARLY_STILL_G = 5e-3
"""Changes between the halves of a window below which the wheel is said to settle."""
_TREMOR_RATIO = 1.8


@dataclass(frozen=True, slots=True)
class _Lists:
    """A `SensorWindows` as plain lists, which a loop reads fastest."""

    halves: list[float]
    stray: list[float]
    slope: list[float]
    inner: list[float]
    swing: list[float]
    between: list[float]
    burst: list[float]


Windows = dict[int, tuple[_Lists, "_Lists | None"]]


def _lists(windows: SensorWindows) -> _Lists:
    return _Lists(
        windows.halves.tolist(),
        windows.stray.tolist(),
        windows.slope.tolist(),
        windows.inner.tolist(),
        windows.swing.tolist(),
        windows.between.tolist(),
        windows.burst.tolist(),
    )


def windows_of(cells: Cells, widths: tuple[int, ...]) -> Windows:
    """Slide windows of each width over the cells."""
    return {
        width: (
            _lists(sensor_windows(cells.accel, width)),
            None if cells.gyro is None else _lists(sensor_windows(cells.gyro, width)),
        )
        for width in widths
        if len(cells) >= width
    }


class Candidates:
    """Judges, at each cell, the window that ends there.

    Attributes
    ----------
    widths : tuple of int
        Cells in a window: once the gyro's bias is known, and before (or without gyro).
    quiet : bool
        Whether the last window was nearly still.
    changed_floor : bool
        Whether the accepted window has shown a new floor.
    local : tuple
        (inner, between, swing) of the accelerometer and of the gyro in the accepted window.
    """

    def __init__(
        self, size: int, cell_s: float, has_gyro: bool, loud: float, settings: RestSettings
    ) -> None:
        self._loud = loud

        def cells(seconds: float) -> int:
            return max(4, round(seconds / cell_s))

        if has_gyro:
            self.widths = (cells(settings.ready_s), cells(settings.ready_unknown_bias_s))
        else:
            self.widths = (cells(settings.ready_no_gyro_s),) * 2
        self.longest = max(self.widths)
        self._settings = settings
        self._size = size
        self._cell_s = cell_s
        self._new_floor_cells = round(_NEW_FLOOR_S / cell_s)
        self.quiet = False
        self.changed_floor = False
        self.local = ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
        self.reset()

    def reset(self) -> None:
        """Forget what was seen: the wheel has moved."""
        self._loud_run = 0
        self._loud_range = (0.0, 0.0, 0.0, 0.0)

    def look(
        self, windows: Windows, row: int, available: int, floor: NoiseFloor, bias_known: bool
    ) -> int:
        """Return the width of the window ending at `row` if it is still, else 0.

        Parameters
        ----------
        row : int
            The cell that ends the window, as a row of the cells the windows were made from.
        available : int
            Cells that may be used, up to and including this one.
        """
        width = self.widths[0 if bias_known else 1]
        self.changed_floor = False
        if available < width or row - width + 1 < 0:
            self.quiet = False
            return 0
        accel, gyro = windows[width]
        i = row - width + 1
        s = self._settings
        loudest = accel.inner[i] > s.ceiling_accel_g**2 or (
            gyro is not None and gyro.inner[i] > s.ceiling_gyro_dps**2
        )
        self.quiet = not loudest and (
            accel.halves[i] <= _NEARLY_STILL_G**2
            if gyro is None
            else gyro.halves[i] <= _NEARLY_STILL_DPS**2
            and accel.slope[i] <= 2.0 * _NEARLY_STILL_G * self._cell_s
        )
        # A floor from elsewhere tells this pod's own swing: a lighter hand stands out from it.
        least_g = 0.0 if floor.untried else s.tremor_accel_g
        least_dps = 0.0 if floor.untried else s.tremor_gyro_dps
        trembles = self._trembles(accel, i, least_g, floor.accel) or (
            gyro is not None and self._trembles(gyro, i, least_dps, floor.gyro)
        )
        louder = _louder(accel, i, floor.accel) or (
            gyro is not None and _louder(gyro, i, floor.gyro)
        )
        # Where a car hums, that floor is too low; but a hum is no hand.
        known = floor.known and not (floor.untried and louder and not trembles)
        burst = max(accel.burst[i], 0.0 if gyro is None else gyro.burst[i])
        even = (floor.known and not floor.untried) or burst <= _BURST * self._loud
        if loudest or not even or not self._level(accel, gyro, i, width, floor, known):
            self._loud_run = 0
            return 0
        unusual = trembles or (known and louder)
        if unusual and not self._steadily_loud(accel, gyro, i):
            return 0
        self.changed_floor = floor.known and (
            unusual or not known or _quieter(accel, i, floor.accel)
        )
        self.local = (
            (accel.inner[i], accel.between[i], accel.swing[i]),
            (0.0, 0.0, 0.0) if gyro is None else (gyro.inner[i], gyro.between[i], gyro.swing[i]),
        )
        self._loud_run = 0
        return width

    def _level(
        self,
        accel: _Lists,
        gyro: _Lists | None,
        i: int,
        width: int,
        floor: NoiseFloor,
        known: bool,
    ) -> bool:
        """Whether the window's cell means stand."""
        s = self._settings
        variance = _variance(accel, i, floor.accel, known)
        if variance > s.ceiling_accel_wander_g**2:
            return False
        half = width // 2
        if accel.halves[i] > max(s.level_tolerance_g**2, _HALVES * variance * 2.0 / half):
            return False
        if accel.stray[i] > max(s.level_tolerance_g**2, _STRAY * variance):
            return False
        slope_variance = variance * 12.0 / (width * (width * width - 1))
        if accel.slope[i] ** 2 > max(
            (_SLOPE_AT_LEAST_G_S * self._cell_s) ** 2, _SLOPE * slope_variance
        ):
            return False
        if gyro is None:
            return True
        variance = _variance(gyro, i, floor.gyro, known)
        if variance > s.ceiling_gyro_wander_dps**2:
            return False
        tolerance = s.rate_tolerance_dps**2
        return gyro.halves[i] <= max(tolerance, _HALVES * variance * 2.0 / half) and gyro.stray[
            i
        ] <= max(tolerance, _STRAY * variance)

    def _trembles(self, sensor: _Lists, i: int, least: float, floor: SensorFloor) -> bool:
        """Whether the sensor swings as in a hand: no such thing was learnt at rest."""
        if self._size < 6:
            return False
        return (
            sensor.swing[i] > max(least**2, _LOUDER * floor.swing)
            and sensor.swing[i] * self._size / 4.0 > _TREMOR_RATIO * sensor.inner[i]
        )

    def _steadily_loud(self, accel: _Lists, gyro: _Lists | None, i: int) -> bool:
        a = accel.inner[i]
        g = 0.0 if gyro is None else gyro.inner[i]
        if self._loud_run:
            low_a, high_a, low_g, high_g = self._loud_range
            spread = (min(low_a, a), max(high_a, a), min(low_g, g), max(high_g, g))
            if (
                spread[1] > _NEW_FLOOR_SPREAD * spread[0]
                or spread[3] > _NEW_FLOOR_SPREAD * spread[2]
            ):
                self._loud_run = 0
        if not self._loud_run:
            spread = (a, a, g, g)
        self._loud_range = spread
        self._loud_run += 1
        return self._loud_run >= self._new_floor_cells


def _variance(sensor: _Lists, i: int, floor: SensorFloor, known: bool) -> float:
    """Variance of a cell mean: the floor's, grown as the noise within cells has grown.

    The window's own scatter of means is used only before a floor is known: a slow move
    makes it grow.
    """
    if not known:
        return max(sensor.between[i], floor.least**2)
    growth = sensor.inner[i] / floor.inner if floor.inner > 0.0 else 1.0
    return floor.between * min(max(growth, 1.0), _LOUDER)


def _louder(sensor: _Lists, i: int, floor: SensorFloor) -> bool:
    return sensor.inner[i] > _LOUDER * floor.inner or sensor.between[i] > _LOUDER * floor.between


def _quieter(sensor: _Lists, i: int, floor: SensorFloor) -> bool:
    return sensor.inner[i] * _LOUDER < floor.inner
