"""The emulated pod on a simulated car: the board's own program, fed with what its sensors feel."""

from __future__ import annotations

import math
from typing import Final

from knuckle.bench.ailments import Ailments
from knuckle.bench.board import Board
from knuckle.bench.provision import write_settings
from knuckle.bench.surroundings import Surroundings
from knuckle.errors import UsageError
from knuckle.sim.case import Stream
from knuckle.sim.line import FaultyLine
from knuckle.sim.linear_spec import LinearKind
from knuckle.sim.scenario import Scenario
from knuckle.sim.settings import SettingsMemory
from knuckle.sim.world import PodOnCar
from knuckle.wire.codec import CommandDecoder
from knuckle.wire.commands import parse_cue
from knuckle.wire.messages import Command, Cue

SENSORS: Final = {
    "mpu6050": ("mpu6050",),
    "adxl355": ("adxl355",),
    "both": ("mpu6050", "adxl355"),
}
"""What is on the sensor bus, by the word in an address."""
ADXL355_KEYS: Final[dict[str, object]] = {
    "sensor.accel_noise_ug": 25.0,
    "sensor.accel_bias_sigma_g": [0.025, 0.025, 0.025],
    "sensor.accel_scale_sigma": 0.046,
    "sensor.accel_cross_sigma": 0.01,
    "sensor.accel_bias_per_c_sigma_g": [0.000087, 0.000087, 0.000087],
}
"""What a scenario's sensor becomes: the figures of `knuckle.estimate.data_sheets`."""
NOT_SHOWN: Final = ("gap", "clipping", "tick_wrap", "dropped", "unsteady_ticks")
"""Faults of a simulated pod's own making; the board's program has its own."""
STEP_S: Final = 0.02
LINEAR_STEP_S: Final = 0.005
_OFF_S: Final = 0.05
_NEVER: Final = math.inf


class EmulatedPod(PodOnCar):
    """A pod whose bytes come from the board's program in the emulator.

    The person hears a cue when the buzzer sounds after it was sent. A program that streams
    unasked (`pod.starts_streaming`) is given no settings, and the person begins when power comes.

    Parameters
    ----------
    scenario : Scenario
        What `pod` and `sensor` say of rates and ranges is the firmware's to choose.
    seed : int or None
        None takes the scenario's own.
    sensor : str
        A key of `SENSORS`.
    bench, elf : str or None
        Files; None takes those of the source checkout: the pod's own program.

    Raises
    ------
    UsageError
        If the script cannot be done on that wheel, or a fault not with this pod.
    """

    def __init__(
        self,
        scenario: Scenario,
        seed: int | None = None,
        *,
        sensor: str = "mpu6050",
        bench: str | None = None,
        elf: str | None = None,
    ) -> None:
        super().__init__(scenario, seed)
        self._present = SENSORS[sensor]
        _check(scenario, "mpu6050" in self._present, own_program=elf is not None)
        self._unasked = scenario.pod.starts_streaming
        self._line = FaultyLine(scenario.faults.line, self._rig.case.generator(Stream.LINE))
        self._decoder = CommandDecoder()
        self._settings = SettingsMemory(self._rig.case).record.to_bytes()
        self._board = Board(bench=bench, elf=elf, seed=self.seed, clock_ppm=scenario.pod.clock_ppm)
        self._ailments = Ailments(self._board, self._rig, self._present)
        self._surroundings = Surroundings(self._board, self._rig, self._ailments)
        has_linear = scenario.linear.kind is LinearKind.POTENTIOMETER
        self._step_s = LINEAR_STEP_S if has_linear else STEP_S
        self._unheard: tuple[int, Cue] | None = None
        self._restart_at_s = self._cut_at_s = self._power_at_s = _NEVER

    @property
    def board(self) -> Board:
        """The board, for looking into it."""
        return self._board

    @property
    def ended(self) -> bool:
        """Whether the emulated board is gone for good."""
        return self._board.ended

    def open(self) -> None:
        """Start the bench, give the pod its settings and let power come; harmless if it runs.

        Raises
        ------
        LinkError
            If bench or program are not there or do not start.
        PodError
            If the pod does not take its settings.
        """
        if not self._board.open():
            return
        bench = self._board.bench
        for name in ("mpu6050", "adxl355"):
            bench.command("sensor", name, "back" if name in self._present else "gone")
        bench.hold((0.0, 0.0, 1.0), self.scenario.sensor.temp_c, (0.0, 0.0, 0.0))
        if not self._unasked:
            write_settings(bench, self._settings)
        bench.command("power", "off")
        self._surroundings.start()
        self._ailments.at_boot()
        bench.run_s(_OFF_S)
        self._board.start_time()
        self._surroundings.feed(0.0, None)
        bench.command("baud", self.scenario.pod.baud)
        bench.command("power", "on")
        bench.select_events("t")
        if self._unasked:
            self._begin()

    def close(self) -> None:
        """End the bench for good."""
        self._board.close()

    def advance(self, to_s: float) -> bytes:
        """Let the world go on and return all bytes that have arrived by then.

        Raises
        ------
        LinkError
            If the bench has ended or hangs.
        """
        while self.now_s < to_s:
            at_s, act = min(
                (min(to_s, self.now_s + self._step_s), None),
                (self._restart_at_s, self._restart),
                (self._cut_at_s, self._disconnect),
                (self._power_at_s, self._power_back),
                key=lambda event: event[0],
            )
            self._pass(max(at_s, self.now_s))
            if act is not None:
                act()
        return self._line.take(to_s)

    def receive(self, data: bytes) -> None:
        """Take bytes from the host; they are on the line from now on."""
        if not self.connected or not data:
            return
        self._board.receive(data)
        self._decoder.receive_data(data)
        while (command := self._decoder.next_event()) is not None:
            if command.command == Command.START:
                self._begin()
            elif command.command == Command.CUE:
                cue = parse_cue(command.payload)
                if cue is not None and cue is not Cue.SILENT:
                    self._unheard = self._board.cycle_at(self.now_s), cue

    def _begin(self) -> None:
        if not self._begin_script(self.now_s):
            return
        faults = self.scenario.faults
        if faults.restart.on:
            self._restart_at_s = self._since_begin(faults.restart.at_s)
        if faults.disconnect.on:
            self._cut_at_s = self._since_begin(faults.disconnect.at_s)

    def _pass(self, at_s: float) -> None:
        """Run the board up to a moment that is at most a step away."""
        if at_s <= self.now_s:
            return
        self._surroundings.feed(at_s, self._script_zero_s)
        data = self._board.advance(at_s)
        self._set_now(at_s)
        if self.connected:
            self._line.send(at_s, data)
        if self._unheard is not None:
            since, cue = self._unheard
            sounds = [e for e in self._board.bench.events() if e.value and e.cycle > since]
            if sounds:
                self._unheard = None
                self._hear(cue)

    def _restart(self) -> None:
        """Let the program hang: the watchdog restarts it."""
        self._restart_at_s = _NEVER
        self._board.bench.command("hang", "deaf")

    def _disconnect(self) -> None:
        fault = self.scenario.faults.disconnect
        self._cut_at_s = _NEVER
        self._line.cut()
        if fault.power_lost:
            self._board.bench.command("power", "off")
            self._power_at_s = self.now_s + fault.length_s

    def _power_back(self) -> None:
        self._power_at_s = _NEVER
        self._board.bench.command("power", "on")


def _check(scenario: Scenario, has_gyro: bool, *, own_program: bool) -> None:
    """Refuse what only a simulated pod can do."""
    for name in NOT_SHOWN:
        if getattr(scenario.faults, name).on:
            raise UsageError(
                f"The emulated pod cannot show the fault '{name}'.",
                "Its readings are made by the board's own program.",
                f"Use 'sim:{scenario.name}', or another fault.",
            )
    if has_gyro and not scenario.pod.gyro:
        raise UsageError(
            "The emulated pod has a gyro, and the scenario's has none.",
            "The MPU-6050 on its bus brings one.",
            f"Use 'avr:{scenario.name}?sensor=adxl355'.",
        )
    if scenario.pod.starts_streaming and not own_program:
        raise UsageError(
            "The emulated pod does not stream unasked.",
            "The scenario says pod.starts_streaming, and the pod's own program waits for START.",
            f"Use 'sim:{scenario.name}', or name a program that does: elf=FILE.",
        )
