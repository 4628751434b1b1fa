"""What the emulated sensors feel: the simulated car's signals, told to the bench in time."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.bench.ailments import Ailments
from knuckle.bench.board import Board
from knuckle.bench.client import FEED_VALUES
from knuckle.model.block import FloatArray
from knuckle.sim.linear import CALIPER_STEP, CALIPER_UNIT_MM, TRAVEL_MM
from knuckle.sim.linear_spec import LinearKind
from knuckle.sim.rig import Rig

FEED_S: Final = 0.001
"""From one row to the next: the MPU-6050 converts a thousand times a second inside."""
SUPPLY_MV: Final = 5000.0
_CALIPER_MM: Final = CALIPER_STEP * CALIPER_UNIT_MM
_WIPER_OHM: Final = 4700.0
_SPARE_MM: Final = 12.34


class Surroundings:
    """Feeds one board from one rig; calls follow each other in time.

    Parameters
    ----------
    board : Board
    rig : Rig
    ailments : Ailments
    """

    def __init__(self, board: Board, rig: Rig, ailments: Ailments) -> None:
        self._ailments = ailments
        self._board = board
        self._rig = rig
        self._rows = 0
        self._linear: tuple[object, ...] = ()

    def feed(self, to_s: float, zero_s: float | None) -> None:
        """Tell the bench what will be felt up to a moment.

        Parameters
        ----------
        to_s : float
            Seconds since power.
        zero_s : float or None
            When the person began; nothing moves before.
        """
        end = int(to_s / FEED_S) + 2
        if end <= self._rows:
            return
        at_s = np.arange(self._rows, end) * FEED_S
        script_s = np.maximum(at_s - zero_s, 0.0) if zero_s is not None else np.zeros(at_s.size)
        period = self._board.cycle_at(FEED_S) - self._board.cycle_at(0.0)
        rows = self._imu(script_s)
        self._board.bench.feed(self._board.cycle_at(self._rows * FEED_S), period, rows)
        self._lay_linear(script_s[-1:])
        if zero_s is not None:
            self._ailments.pass_to(float(script_s[-1]))
        self._rig.person.forget(float(script_s[0]))
        self._rows = end

    def _imu(self, script_s: FloatArray) -> FloatArray:
        signals = self._rig.signals(script_s, FEED_S)
        rows = np.zeros((script_s.size, FEED_VALUES))
        rows[:, :3] = signals.accel_g
        self._ailments.spoil(rows[:, :3], script_s)
        rows[:, 3] = signals.temp_c
        if signals.gyro_dps is not None:
            rows[:, 4:] = signals.gyro_dps
        return rows

    def _lay_linear(self, script_s: FloatArray) -> None:
        scenario = self._rig.scenario
        kind, faults, now_s = scenario.linear.kind, scenario.faults, float(script_s[0])
        if kind is LinearKind.NONE:
            return
        opened = faults.linear_open
        gone = bool(self._rig.away(script_s)[0])
        if kind is LinearKind.POTENTIOMETER and opened.on:
            gone |= opened.at_s <= now_s < opened.at_s + opened.length_s
        sent_mm = float(self._rig.sent_mm(script_s)[0])
        if faults.linear_stuck.on and now_s >= faults.linear_stuck.at_s:
            sent_mm = faults.linear_stuck.reading_mm
        lay = self._wiper if kind is LinearKind.POTENTIOMETER else self._caliper
        laid = lay(None if gone else sent_mm)
        if laid != self._linear:
            self._linear = laid
            self._board.bench.command(*laid)

    def start(self) -> None:
        """Connect what the scenario's pod has, before power comes."""
        linear = self._rig.scenario.linear
        if linear.kind is LinearKind.NONE or not linear.spare:
            return
        other = self._caliper if linear.kind is LinearKind.POTENTIOMETER else self._wiper
        self._board.bench.command(*other(_SPARE_MM))

    def _wiper(self, sent_mm: float | None) -> tuple[object, ...]:
        if sent_mm is None:
            return ("analog", 0, "open")
        mv = min(max(sent_mm / TRAVEL_MM, 0.0), 1.0) * SUPPLY_MV
        noise_mv = self._rig.scenario.linear.noise_mm / TRAVEL_MM * SUPPLY_MV
        return ("analog", 0, f"{mv:.4f}", _WIPER_OHM, f"{noise_mv:.4f}")

    def _caliper(self, sent_mm: float | None) -> tuple[object, ...]:
        if sent_mm is None:
            return ("caliper", "off")
        return ("caliper", "mm", round(sent_mm / _CALIPER_MM))
