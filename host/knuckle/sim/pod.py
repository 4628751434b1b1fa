"""The simulated pod: a device that speaks the wire format. Sans-I/O, it knows no clock."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Final

import numpy as np

from knuckle.model.block import IntArray
from knuckle.sim.ailments import POD_ITSELF, Ailments, Standing
from knuckle.sim.case import Stream
from knuckle.sim.line import FaultyLine
from knuckle.sim.scenario import Scenario
from knuckle.sim.settings import SettingsMemory
from knuckle.sim.world import PodOnCar
from knuckle.wire import budget
from knuckle.wire.codec import CommandDecoder, encode_message
from knuckle.wire.commands import parse_cue, parse_set_rate
from knuckle.wire.messages import (
    PROTOCOL,
    Ack,
    AckCode,
    ClockReply,
    Command,
    Fault,
    FaultCode,
    Hello,
    HostCommand,
    Message,
    ResetCause,
    SampleBatch,
    SelfTestReply,
    SettingsData,
    Status,
    sample_width,
)

FIRMWARE: Final = (1, 0, 0)
HARDWARE: Final = "simulated"
BOOT_S: Final = 0.05
HELLO_IDLE_S: Final = 1.0
HELLO_STREAMING_S: Final = 5.0
STATUS_S: Final = 1.0
_FASTEST_HZ = 1000.0
_NEVER = math.inf
_WITHOUT_PAYLOAD = frozenset(
    {
        Command.HELLO,
        Command.START,
        Command.STOP,
        Command.CLOCK,
        Command.SELF_TEST,
        Command.STATUS,
    }
)


class SimulatedPod(PodOnCar):
    """A pod on a simulated car.

    The script starts with the first START (or at boot, for a pod that starts streaming by
    itself); times of faults count from there.

    Parameters
    ----------
    scenario : Scenario
    seed : int or None
        None takes the scenario's own.

    Raises
    ------
    UsageError
        If the script cannot be done on that wheel.
    """

    def __init__(self, scenario: Scenario, seed: int | None = None) -> None:
        super().__init__(scenario, seed)
        self._ailments = Ailments(self._rig)
        self._channels = self._ailments.channels
        self._line = FaultyLine(scenario.faults.line, self._rig.case.generator(Stream.LINE))
        self._decoder = CommandDecoder()
        self._settings = SettingsMemory(self._rig.case)
        pod = scenario.pod
        self._fast = 1.0 + pod.clock_ppm * 1e-6
        self._restart_at_s = _NEVER
        self._cut_at_s = _NEVER
        self._first_tick = 0
        if scenario.faults.tick_wrap.on:
            self._first_tick = 2**32 - round(scenario.faults.tick_wrap.after_s * pod.tick_hz)
        self._cause = ResetCause.POWER_ON
        self._power_up(0.0)

    # ---- what a link sees -------------------------------------------------------------------

    def advance(self, to_s: float) -> bytes:
        """Let the world go on and return all bytes that have arrived by then.

        Parameters
        ----------
        to_s : float
            Seconds since power; earlier than `now_s` changes nothing.
        """
        while True:
            at_s, act = min(
                (self._restart_at_s, self._restart),
                (self._cut_at_s, self._disconnect),
                (self._hello_at_s, self._say_hello),
                (self._status_at_s, self._say_status),
                (self._frame_at_s(), self._send_frame),
                key=lambda event: event[0],
            )
            if at_s > to_s:
                break
            self._set_now(at_s)
            act()
        self._set_now(to_s)
        return self._line.take(to_s)

    def receive(self, data: bytes) -> None:
        """Take bytes from the host; they arrive at `now_s`."""
        if not self.connected or self.now_s < self._boot_s:
            return
        self._decoder.receive_data(data)
        while (command := self._decoder.next_event()) is not None:
            self._obey(command)

    # ---- time -------------------------------------------------------------------------------

    def _tick(self, at_s: float) -> int:
        ticks = round((at_s - self._boot_s) * self.scenario.pod.tick_hz * self._fast)
        return (self._first_tick + ticks) % 2**32

    def _power_up(self, at_s: float) -> None:
        self._boot_s = at_s + BOOT_S
        self._hello_at_s = self._boot_s
        self._streaming = False
        self._sequence = 0
        self._overruns = self._dropped = 0
        self._followed: Standing = self._from_start()
        self._faults: Standing = set(self._followed)
        self._status_at_s = _NEVER
        self._decoder = CommandDecoder()
        self._period_ticks, self._averaging = self._rig.period_ticks, self._rig.averaging
        if self.scenario.pod.starts_streaming:
            self._start(self._boot_s)
            self._hello_at_s = self._boot_s

    def _disconnect(self) -> None:
        fault = self.scenario.faults.disconnect
        self._cut_at_s = _NEVER
        self._line.cut()
        if fault.power_lost:
            self._cause, self._first_tick = ResetCause.POWER_ON, 0
            self._power_up(self.now_s + fault.length_s)

    def _restart(self) -> None:
        fault = self.scenario.faults.restart
        self._restart_at_s = _NEVER
        self._cause, self._first_tick = ResetCause.WATCHDOG, 0
        self._power_up(self.now_s + fault.silent_s - BOOT_S)

    # ---- sending ----------------------------------------------------------------------------

    def _send(self, message: Message) -> None:
        if self.connected:
            self._line.send(self.now_s, encode_message(message))

    def _say_hello(self) -> None:
        self._send(self._hello())
        for code, channel in sorted(self._faults):
            self._send(Fault(self._tick(self.now_s), code, channel, True))
        self._hello_at_s = self.now_s + (HELLO_STREAMING_S if self._streaming else HELLO_IDLE_S)

    def _say_status(self) -> None:
        standing = 0
        for code, _ in self._faults:
            standing |= 1 << code
        bad = self._decoder.counts.bad_frames
        bus_errors = self._ailments.bus_errors(self.script_s)
        tick = self._tick(self.now_s)
        self._send(Status(tick, self._dropped, self._overruns, bus_errors, bad, standing))
        if self._streaming:
            self._status_at_s = self.now_s + STATUS_S

    def _fault(self, code: FaultCode, channel: int, present: bool) -> None:
        """Tell when a fault comes or goes."""
        fault = (code, channel)
        if present == (fault in self._faults):
            return
        if present:
            self._faults.add(fault)
        else:
            self._faults.remove(fault)
        self._send(Fault(self._tick(self.now_s), code, channel, present))

    def _follow(self, at_s: float) -> None:
        """Let the faults of the scenario's sensors come and go."""
        wanted = self._from_start() | self._ailments.standing(at_s)
        for code, channel in sorted(wanted | self._followed):
            self._fault(code, channel, (code, channel) in wanted)
        self._followed = wanted

    def _from_start(self) -> Standing:
        lost = {(FaultCode.SETTINGS, POD_ITSELF)} if self._settings.damaged else set()
        return self._ailments.from_start() | lost

    def _hello(self) -> Hello:
        return Hello(
            protocol=PROTOCOL,
            hardware=HARDWARE,
            firmware=FIRMWARE,
            identity=self._settings.record.identity,
            name=self._settings.record.name,
            reset_cause=self._cause,
            streaming=self._streaming,
            tick_hz=self.scenario.pod.tick_hz,
            raw_period_ticks=self._period_ticks,
            averaging=self._averaging,
            least_averaging=self._least_averaging(),
            channels=self._channels,
        )

    def _least_averaging(self) -> int:
        pod = self.scenario.pod
        if not self._channels:
            return 1
        return budget.least_averaging(pod.baud, self._channels, self._period_ticks, pod.tick_hz)

    def _start(self, at_s: float) -> None:
        if self._begin_script(at_s):
            faults = self.scenario.faults
            if faults.restart.on:
                self._restart_at_s = self._since_begin(faults.restart.at_s)
            if faults.disconnect.on:
                self._cut_at_s = self._since_begin(faults.disconnect.at_s)
        self._streaming = True
        self._status_at_s = at_s + STATUS_S
        self._hello_at_s = max(self._hello_at_s, at_s + HELLO_STREAMING_S)
        self._grid_s, self._grid_tick, self._taken = at_s, self._tick(at_s), 0
        self._per_frame = budget.samples_per_frame(
            self._channels, self._averaging, self._period_ticks, self.scenario.pod.tick_hz
        )

    @property
    def _period_s(self) -> float:
        """From one raw reading to the next, in the world's time."""
        return self._period_ticks / self.scenario.pod.tick_hz / self._fast

    def _frame_at_s(self) -> float:
        if not self._streaming:
            return _NEVER
        return self._grid_s + (self._taken + self._per_frame * self._averaging) * self._period_s

    def _send_frame(self) -> None:
        self._take(self._per_frame)

    def _take(self, samples: int) -> None:
        """Read and send that many samples; those that the fault `gap` swallows are missing."""
        if samples <= 0 or self._script_zero_s is None:
            return
        raws = samples * self._averaging
        offset_s = self._grid_s - self._script_zero_s
        t_s = offset_s + self._period_s * np.arange(self._taken, self._taken + raws, dtype=float)
        read = self._rig.raw(t_s, self._period_s)
        raw = self._ailments.read(read, t_s)
        self._rig.person.forget(float(t_s[0]))
        sums = raw.reshape(samples, self._averaging, raw.shape[1]).sum(axis=1)
        kept = np.ones(samples, bool)
        gap = self.scenario.faults.gap
        if gap.on:
            starts = t_s[:: self._averaging]
            kept = (starts < gap.at_s) | (starts >= gap.at_s + gap.length_s)
        missed = int(np.count_nonzero(~kept)) * self._averaging
        self._overruns += missed
        self._fault(FaultCode.OVERRUN, POD_ITSELF, missed > 0)
        for row, stands in enumerate(self._rig.chip.out_of_range(read, self._period_s)):
            self._fault(FaultCode.SENSOR_RANGE, row, stands)
        dropped = kept & self._ailments.dropped(t_s[:: self._averaging])
        self._dropped += int(np.count_nonzero(dropped))
        self._follow(float(t_s[-1]))
        away = self._ailments.away(t_s).reshape(samples, self._averaging, -1)
        away = np.asarray(away.any(axis=1))
        first_linear = len(self._channels) - len(self._rig.linear.channels)
        for row in range(first_linear, len(self._channels)):
            self._fault(FaultCode.SENSOR_MISSING, row, bool(away[-1, row]))
        masks = (~away * (1 << np.arange(away.shape[1]))).sum(axis=1) * (kept & ~dropped)
        edges = np.flatnonzero(np.diff(masks, prepend=-1, append=-1))
        every = (1 << away.shape[1]) - 1
        for first, end in pairwise(int(edge) for edge in edges):
            mask = int(masks[first])
            if mask:
                at = self._taken + first * self._averaging
                self._send_samples(at, sums[first:end], None if mask == every else mask)
        self._taken += raws

    def _send_samples(self, first_raw: int, sums: IntArray, mask: int | None) -> None:
        tick = self._grid_tick + first_raw * self._period_ticks
        tick = (tick + self._ailments.tick_error(self.scenario.pod.tick_hz)) % 2**32
        kept = np.concatenate(
            [
                np.tile(np.arange(4) < sample_width(row.bits, self._averaging), row.axes)
                & (mask is None or bool(mask >> i & 1))
                for i, row in enumerate(self._channels)
            ]
        )
        payload = sums.astype("<i4").view(np.uint8).reshape(len(sums), -1)[:, kept].tobytes()
        self._send(SampleBatch(self._sequence, tick, self._averaging, len(sums), payload, mask))
        self._sequence = (self._sequence + 1) % 2**16

    def _flush(self) -> None:
        """Send the samples that are complete by now."""
        if self._streaming:
            passed = int((self.now_s - self._grid_s) / self._period_s) - self._taken
            self._take(max(0, passed) // self._averaging)

    # ---- commands ---------------------------------------------------------------------------

    def _obey(self, command: HostCommand) -> None:
        try:
            kind = Command(command.command)
        except ValueError:
            self._acknowledge(command, AckCode.UNKNOWN_COMMAND)
            return
        if kind in _WITHOUT_PAYLOAD and command.payload:
            self._acknowledge(command, AckCode.BAD_LENGTH)
            return
        match kind:
            case Command.HELLO:
                self._say_hello()
                self._acknowledge(command, AckCode.OK)
            case Command.START:
                if not self._channels:
                    self._acknowledge(command, AckCode.BUSY)
                    return
                self._acknowledge(command, AckCode.OK)
                if not self._streaming:
                    self._start(self.now_s)
                self._say_hello()
            case Command.STOP:
                self._flush()
                self._streaming, self._status_at_s = False, _NEVER
                self._hello_at_s = min(self._hello_at_s, self.now_s + HELLO_IDLE_S)
                self._acknowledge(command, AckCode.OK)
            case Command.SET_RATE:
                self._acknowledge(command, self._set_rate(command.payload))
            case Command.SETTINGS_READ:
                self._read_settings(command)
            case Command.SETTINGS_WRITE:
                self._acknowledge(command, self._settings.write(command.payload))
            case Command.CLOCK:
                self._send(ClockReply(command.token, self._tick(self.now_s)))
            case Command.CUE:
                self._acknowledge(command, self._cue(command.payload))
            case Command.SELF_TEST:
                if self._streaming:
                    self._acknowledge(command, AckCode.BUSY)
                else:
                    self._send(SelfTestReply(command.token, self._ailments.verdicts()))
            case Command.STATUS:
                self._say_status()
                self._acknowledge(command, AckCode.OK)

    def _acknowledge(self, command: HostCommand, code: AckCode) -> None:
        self._send(Ack(command.token, command.command, code))

    def _set_rate(self, payload: bytes) -> AckCode:
        wanted = parse_set_rate(payload)
        if wanted is None:
            return AckCode.BAD_LENGTH
        tick_hz = self.scenario.pod.tick_hz
        period = wanted.raw_period_ticks or self._period_ticks
        averaging = wanted.averaging or self._averaging
        if tick_hz / period > _FASTEST_HZ or averaging > budget.LARGEST_AVERAGING:
            return AckCode.BAD_VALUE
        self._flush()
        self._period_ticks = period
        self._averaging = max(averaging, self._least_averaging())
        if self._streaming:
            self._start(self.now_s)
        self._say_hello()
        return AckCode.OK

    def _read_settings(self, command: HostCommand) -> None:
        found = self._settings.read(command.payload)
        if isinstance(found, AckCode):
            self._acknowledge(command, found)
        else:
            self._send(SettingsData(command.token, *found))

    def _cue(self, payload: bytes) -> AckCode:
        pattern = parse_cue(payload)
        if pattern is None:
            return AckCode.BAD_VALUE if len(payload) == 1 else AckCode.BAD_LENGTH
        self._hear(pattern)
        return AckCode.OK
