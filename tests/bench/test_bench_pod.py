"""The emulated pod on the simulated car: what it feels, hears and cannot do."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from knuckle.bench.pod import EmulatedPod
from knuckle.errors import UsageError
from knuckle.links.schemes import open_link
from knuckle.wire.commands import encode_command
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import (
    ChannelKind,
    Command,
    Cue,
    Hello,
    Message,
    ResetCause,
    SampleBatch,
    Sensor,
    sample_width,
)

STEP_S = 0.02


class Streaming:
    """An emulated pod that has been told to stream."""

    def __init__(self, address: str) -> None:
        pod = open_link(address, purpose="sweep").pod  # type: ignore[attr-defined]
        assert isinstance(pod, EmulatedPod)
        self.pod = pod
        self.messages: list[Message] = []
        self._decoder = PodDecoder()
        pod.open()
        self.run(3.0)  # a caliper is known after its first packet, and looked for once a second
        self.tell(Command.START)

    def tell(self, command: Command, payload: bytes = b"") -> None:
        self.pod.receive(encode_command(command, 1, payload))

    def run(self, seconds: float) -> list[Message]:
        """Let time go by; return what came in it."""
        came: list[Message] = []
        end_s = self.pod.now_s + seconds
        while self.pod.now_s < end_s - 1e-9:
            self._decoder.receive_data(self.pod.advance(min(end_s, self.pod.now_s + STEP_S)))
            came += self._decoder.events()
        self.messages += came
        return came

    @property
    def hello(self) -> Hello:
        return [m for m in self.messages if isinstance(m, Hello)][-1]

    def last_reading(self, kind: ChannelKind, came: list[Message]) -> list[float]:
        """Return the last sample of a channel, in its unit."""
        batch = [m for m in came if isinstance(m, SampleBatch)][-1]
        at, values = 0, list[float]()
        for channel in self.hello.channels:
            width = sample_width(channel.bits, batch.averaging)
            if channel.kind == kind:
                per_sample = len(batch.payload) // batch.samples
                sample = batch.payload[-per_sample:]
                for axis in range(channel.axes):
                    raw = sample[at + axis * width : at + (axis + 1) * width]
                    count = int.from_bytes(raw, "little", signed=True)
                    values.append(channel.offset + channel.scale * count / batch.averaging)
            at += channel.axes * width
        return values


@pytest.fixture
def streaming(board_elf: Path, request: pytest.FixtureRequest) -> Iterator[Streaming]:
    made = Streaming(request.param)
    yield made
    made.pod.close()


@pytest.mark.parametrize(
    ("streaming", "part", "within_mm"),
    [
        # 16 conversions of 100 mm / 1024 with the scenario's noise of 0.03 mm as dither.
        ("avr:draw_wire?script.heeds_cues=false", Sensor.POTENTIOMETER, 0.1),
        (
            "avr:rod?sensor=adxl355&linear.kind=caliper&script.heeds_cues=false",
            Sensor.CALIPER,
            0.03,
        ),
    ],
    indirect=["streaming"],
)
def test_a_linear_sensor_reads_what_the_car_does(
    streaming: Streaming, part: Sensor, within_mm: float
) -> None:
    assert streaming.hello.channels[-1].sensor is part
    rig = streaming.pod._rig
    compared = []
    for _ in range(20):
        came = streaming.run(0.5)
        script_s = streaming.pod.script_s
        moved = np.ptp(rig.sent_mm(np.array([script_s - 0.02, script_s])))
        if script_s < 2.5 and moved < 0.02:  # still straight ahead
            (reading,) = streaming.last_reading(ChannelKind.LINEAR, came)
            compared.append(reading - float(rig.sent_mm(np.array([script_s]))[0]))
    assert len(compared) >= 3
    assert max(abs(d) for d in compared) < within_mm


@pytest.mark.parametrize("streaming", ["avr:demo"], indirect=True)
def test_a_cue_is_heard_when_the_buzzer_sounds(streaming: Streaming) -> None:
    streaming.run(1.0)
    streaming.tell(Command.CUE, bytes((Cue.TAKEN,)))
    assert streaming.pod.cues == []
    streaming.run(0.2)
    ((heard_s, cue),) = streaming.pod.cues
    assert cue is Cue.TAKEN
    assert 4.0 < heard_s <= 4.2 + 1e-9
    streaming.tell(Command.CUE, bytes((Cue.SILENT,)))
    streaming.run(0.5)
    assert len(streaming.pod.cues) == 1


@pytest.mark.parametrize("streaming", ["avr:restart"], indirect=True)
def test_a_restart_is_the_watchdogs(streaming: Streaming) -> None:
    streaming.run(15.0)
    assert streaming.hello.reset_cause is ResetCause.WATCHDOG


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("avr:gaps", "gap"),
        ("avr:clipped", "clipping"),
        ("avr:tick_wrap", "tick_wrap"),
        ("avr:no_gyro", "sensor=adxl355"),
        ("avr:demo?pod.starts_streaming=true", "unasked"),
        ("avr:demo?sensor=compass", "sensor"),
        ("avr:no_such_scenario", "no_such_scenario"),
    ],
)
def test_what_it_cannot_do_is_refused(address: str, told: str) -> None:
    with pytest.raises(UsageError) as caught:
        open_link(address, purpose="sweep")
    assert told in str(caught.value)


def test_its_address_repeats_the_run() -> None:
    link = open_link("avr:demo?seed=9&speed=2&sensor=both&baud=9600&pads.sigma_deg=0.1")
    assert link.address == "avr:demo?seed=9&sensor=both&baud=9600&pads.sigma_deg=0.1"
    assert link.description() == "emulated board, scenario demo, watch LF, seed 9"
