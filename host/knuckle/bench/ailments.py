"""Faults of the pod's own parts, done to the emulated board as they would happen to a real one."""

from __future__ import annotations

from typing import Final

import numpy as np

from knuckle.bench.board import Board
from knuckle.model.block import FloatArray
from knuckle.sim.case import Stream
from knuckle.sim.rig import Rig

LOW_SUPPLY_MV: Final = 4200
GOOD_SUPPLY_MV: Final = 5000
PULSES_TO_FREE: Final = 5
"""Clock pulses after which a disturbed bus is let go."""
_WRONG_IDENTITY: Final = 0x70
_THROUGH_LOW_PASS: Final = 2.7
"""Noise to add to each row so that 1 is left after 44 Hz: sqrt((2 - a) / a), a = 0.241."""
_NOISE_INDEX: Final = 9


class Ailments:
    """What ails the parts of one emulated pod.

    Parameters
    ----------
    board : Board
    rig : Rig
    present : tuple of str
        Chips on the sensor bus.
    """

    def __init__(self, board: Board, rig: Rig, present: tuple[str, ...]) -> None:
        self._board = board
        self._faults = rig.scenario.faults
        self._noise = rig.case.generator(Stream.NOISE, _NOISE_INDEX)
        self._chips = {"accelerometer": present[-1], "gyro": "mpu6050"}
        self._gone = self._supply_low = False
        self._disturbed = 0
        self._stuck_at_g: FloatArray | None = None

    def at_boot(self) -> None:
        """Do what is wrong before power comes."""
        faults, command = self._faults, self._board.bench.command
        if faults.wrong_part.on:
            command("sensor", self._chips["accelerometer"], "identity", _WRONG_IDENTITY)
        if faults.self_test_fails.on:
            command("sensor", self._chips[faults.self_test_fails.part], "self_test", 0)
        if faults.settings_lost.on:
            self._board.bench.set_eeprom(0, bytes(range(256)) * 4)
        if faults.sensor_missing.on and faults.sensor_missing.at_boot:
            command("sensor", self._chips[faults.sensor_missing.part], "gone")
        if faults.supply_low.on and faults.supply_low.at_s <= 0.0:
            self._set_supply(True)

    def pass_to(self, script_s: float) -> None:
        """Do what goes wrong or right again by a moment of the script."""
        faults = self._faults
        missing, supply, bus = faults.sensor_missing, faults.supply_low, faults.bus_disturbed
        if missing.on and not missing.at_boot:
            gone = missing.at_s <= script_s < missing.at_s + missing.length_s
            if gone != self._gone:
                self._gone = gone
                chip = self._chips[missing.part]
                self._board.bench.command("sensor", chip, "gone" if gone else "back")
        if supply.on and supply.at_s > 0.0:
            self._set_supply(supply.at_s <= script_s < supply.at_s + supply.length_s)
        if bus.on and script_s >= bus.at_s + bus.every_s * self._disturbed:
            self._disturbed += 1
            self._board.bench.command("bus", "sda", PULSES_TO_FREE)

    def spoil(self, accel_g: FloatArray, script_s: FloatArray) -> None:
        """Change what the accelerometer is to feel, shape (n, 3), in place."""
        noisy, stuck = self._faults.sensor_noisy, self._faults.sensor_stuck
        if noisy.on:
            scale_g = noisy.noise_g * _THROUGH_LOW_PASS
            accel_g += scale_g * self._noise.standard_normal(accel_g.shape)
        if stuck.on and np.any(late := script_s >= stuck.at_s):
            if self._stuck_at_g is None:
                self._stuck_at_g = accel_g[np.flatnonzero(late)[0]].copy()
            accel_g[late] = self._stuck_at_g

    def _set_supply(self, low: bool) -> None:
        if low != self._supply_low:
            self._supply_low = low
            self._board.bench.command("supply", LOW_SUPPLY_MV if low else GOOD_SUPPLY_MV)
