"""Each fault of the pod's sensors, supply and settings, as the wire tells it."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from knuckle.sim.pod import SimulatedPod
from knuckle.sim.scenario import load
from knuckle.timebase.assembler import BlockAssembler
from knuckle.wire.codec import encode_command
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import (
    Ack,
    AckCode,
    Command,
    Fault,
    FaultCode,
    Hello,
    Message,
    SampleBatch,
    SelfTestReply,
    Status,
)


def heard(
    until_s: float, start: bool = True, scenario: str = "garage", **overrides: object
) -> list[Message]:
    """Return all that a pod sends up to then; it is started after its first hello."""
    pod = SimulatedPod(load(scenario, purpose="watch", **overrides), 3)
    decoder = PodDecoder()
    decoder.receive_data(pod.advance(0.1))
    pod.receive(encode_command(Command.SELF_TEST, 1))
    if start:
        pod.receive(encode_command(Command.START, 2))
    decoder.receive_data(pod.advance(0.1 + until_s))
    return list(decoder.events())


def faults(messages: list[Message]) -> Iterator[tuple[FaultCode, int, bool]]:
    for message in messages:
        if isinstance(message, Fault):
            yield FaultCode(message.code), message.channel, message.present


def last(messages: list[Message], kind: type[Message]) -> Message:
    return [message for message in messages if isinstance(message, kind)][-1]


def switched(name: str, **keys: object) -> dict[str, object]:
    return {f"faults.{name}": {"on": True, **keys}}


def test_a_chip_goes_away_and_comes_back() -> None:
    messages = heard(4.0, **switched("sensor_missing", at_s=1.0, length_s=1.5))
    told = list(dict.fromkeys(faults(messages)))
    missing = FaultCode.SENSOR_MISSING
    assert told == [(missing, row, True) for row in range(3)] + [
        (missing, row, False) for row in range(3)
    ]
    found = BlockAssembler().assemble(messages)
    assert found.block is not None
    assert found.block.lost_before.max() in range(148, 153)


def test_the_gyros_chip_alone_goes_away() -> None:
    messages = heard(
        3.0, scenario="fine", **switched("sensor_missing", part="gyro", at_s=1.0, length_s=1.0)
    )
    assert {(code, row) for code, row, _ in faults(messages)} == {(FaultCode.SENSOR_MISSING, 1)}
    masks = {m.mask for m in messages if isinstance(m, SampleBatch)}
    assert masks == {None, 0b101}


def test_a_chip_that_is_away_from_the_start_is_not_in_the_table() -> None:
    messages = heard(2.0, **switched("sensor_missing", at_boot=True))
    assert last(messages, Hello).channels == ()
    assert (FaultCode.SENSOR_MISSING, 255, True) in set(faults(messages))
    assert any(isinstance(m, Ack) and m.code == AckCode.BUSY for m in messages)
    assert not any(isinstance(m, SampleBatch) for m in messages)
    fine = heard(2.0, scenario="fine", **switched("sensor_missing", part="gyro", at_boot=True))
    assert [row.kind.name for row in last(fine, Hello).channels] == ["ACCELEROMETER", "TEMPERATURE"]
    assert BlockAssembler().push_many(fine).gyro_dps is None


def test_another_part() -> None:
    messages = heard(2.0, scenario="draw_wire", **switched("wrong_part"))
    assert (FaultCode.SENSOR_IDENTITY, 255, True) in set(faults(messages))
    found = BlockAssembler().assemble(messages)
    assert found.block is None
    assert found.linear is not None


def test_stuck_noisy_and_failed() -> None:
    messages = heard(4.0, **switched("sensor_stuck", at_s=1.0))
    assert (FaultCode.SENSOR_STUCK, 0, True) in set(faults(messages))
    block = BlockAssembler().push_many(messages)
    assert not block.accel_g[-100:].std(axis=0).any()
    noisy = BlockAssembler().push_many(heard(3.0, **switched("sensor_noisy", noise_g=0.03)))
    assert 0.025 < noisy.accel_g[:, 1].std() < 0.05
    failed = heard(0.5, start=False, scenario="fine", **switched("self_test_fails", part="gyro"))
    assert last(failed, SelfTestReply).verdicts == (0, FaultCode.SELF_TEST, 0)


def test_supply_settings_bus_and_room() -> None:
    assert (FaultCode.SUPPLY_LOW, 255, True) in set(faults(heard(1.0, **switched("supply_low"))))
    later = heard(4.0, **switched("supply_low", at_s=1.0, length_s=1.0))
    assert (FaultCode.SUPPLY_LOW, 255, False) in set(faults(later))
    assert (FaultCode.SETTINGS, 255, True) in set(faults(heard(1.0, **switched("settings_lost"))))
    disturbed = heard(4.0, **switched("bus_disturbed", at_s=1.0, every_s=0.5))
    assert last(disturbed, Status).bus_errors >= 4
    assert (FaultCode.BUS, 255, True) in set(faults(disturbed))
    dropped = heard(4.0, **switched("dropped", at_s=1.0, length_s=0.2))
    assert last(dropped, Status).dropped == 20
    assert last(dropped, Status).faults >> FaultCode.DROPPED & 1
    assert BlockAssembler().push_many(dropped).lost_before.sum() == 20


def test_unsteady_ticks() -> None:
    ticks = [
        m.tick
        for m in heard(3.0, **switched("unsteady_ticks", sigma_us=400.0))
        if isinstance(m, SampleBatch)
    ]
    steps = {after - before for before, after in itertools.pairwise(ticks)}
    assert len(steps) > 5
