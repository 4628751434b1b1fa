"""Simulated linear sensors: linkage, string, counts, faults. Truths are worked out here anew."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from knuckle.model.wheel import Wheel
from knuckle.sim.car import Car, Knuckle
from knuckle.sim.case import realise
from knuckle.sim.linear import CALIPER, POTENTIOMETER, LinearChannels
from knuckle.sim.linear_spec import LinearKind, LinearSensor, Linkage, LinkageKind, Place
from knuckle.sim.linkage import LinkedWheel
from knuckle.sim.pod import SimulatedPod
from knuckle.sim.recording import simulate_block
from knuckle.sim.rig import Rig
from knuckle.sim.scenario import Scenario, load
from knuckle.sim.string_line import rim_points_mm
from knuckle.timebase.assembler import BlockAssembler
from knuckle.wire.codec import encode_command
from knuckle.wire.decoder import PodDecoder
from knuckle.wire.messages import Command, Hello

TURNS = np.radians(np.array([-35.0, -20.0, -5.0, 0.0, 5.0, 20.0, 35.0]))
STILL = np.zeros(7)


def linked(kind: LinkageKind, wheel: Wheel = Wheel.LF, *, upright: bool, **link: float) -> object:
    knuckle = Knuckle(caster_deg=0.0, sai_deg=0.0) if upright else Knuckle()
    car = Car(LF=knuckle, RF=knuckle)
    linkage = Linkage(kind=kind, **link)  # type: ignore[arg-type]  # longer_left is a bool
    return LinkedWheel(realise(Scenario(wheel=wheel, car=car, linkage=linkage), 1))


def test_wire_on_an_upright_axis_follows_the_law_of_cosines() -> None:
    """Law of cosines (Euclid, Elements II.12-13), in plan view, angle at the axis."""
    lever, distance, angle = 300.0, 420.0, np.radians(80.0)
    wheel = linked(
        LinkageKind.WIRE, upright=True, lever_mm=lever, distance_mm=distance, angle_deg=80.0
    )
    base = np.sqrt(lever**2 + distance**2 - 2 * lever * distance * np.cos(angle))
    opening = np.arcsin(distance * np.sin(angle) / base)
    expected = np.sqrt(lever**2 + base**2 - 2 * lever * base * np.cos(opening + TURNS))
    assert wheel.length_mm(TURNS, STILL) == pytest.approx(expected, rel=1e-12)


def test_rod_on_an_upright_axis_follows_the_tangent() -> None:
    wheel = linked(LinkageKind.ROD, upright=True, lever_mm=120.0, distance_mm=150.0)
    expected = 150.0 + 120.0 * np.tan(TURNS)
    assert wheel.length_mm(TURNS, STILL) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("wheel", [Wheel.LF, Wheel.RF])
@pytest.mark.parametrize("longer_left", [True, False])
def test_wire_on_an_inclined_axis_against_scipy(wheel: Wheel, longer_left: bool) -> None:
    found = linked(
        LinkageKind.WIRE, wheel, upright=False, arm_deg=25.0, rise_mm=30.0, longer_left=longer_left
    )
    q = wheel.side
    k = np.array([-np.tan(np.radians(6.0)), -q * np.tan(np.radians(12.5)), 1.0])
    k /= np.linalg.norm(k)
    arm = np.radians(25.0)
    point = 370.0 * np.array([np.cos(arm), q * np.sin(arm), 0.0])
    left = np.cross([0.0, 0.0, 1.0], point / 370.0)
    level = np.sqrt(450.0**2 - 30.0**2)
    anchor = point + (-1 if longer_left else 1) * level * left + [0.0, 0.0, 30.0]
    moved = Rotation.from_rotvec(TURNS[:, None] * k).apply(point)
    assert found.length_mm(TURNS, STILL) == pytest.approx(
        np.linalg.norm(moved - anchor, axis=1), rel=1e-12
    )


def test_a_wheel_and_its_mirror_image_read_the_same() -> None:
    left = linked(LinkageKind.ROD, Wheel.LF, upright=False, face_mm=12.0, arm_deg=15.0)
    right = linked(
        LinkageKind.ROD, Wheel.RF, upright=False, face_mm=12.0, arm_deg=15.0, longer_left=False
    )
    assert left.length_mm(TURNS, STILL) == pytest.approx(right.length_mm(-TURNS, STILL), rel=1e-12)


def test_front_less_rear_is_the_chord_times_the_sine_of_toe() -> None:
    case = realise(load("string"), 5)
    for wheel, toe_deg in ((Wheel.LF, 0.14), (Wheel.RF, 0.05), (Wheel.RR, -0.06)):
        front, rear = rim_points_mm(case, wheel)
        assert front - rear == pytest.approx(420.0 * np.sin(np.radians(toe_deg)), abs=1e-9)


def test_string_visits_every_wheel_front_and_rear_twice() -> None:
    block, truth = simulate_block(load("string"))
    wheels = (Wheel.LF, Wheel.RF, Wheel.LR, Wheel.RR)
    once = [(wheel, place) for wheel in wheels for place in (Place.FRONT, Place.REAR)]
    assert [(item.wheel, item.place) for item in truth.lengths] == once * 2
    for item in truth.lengths:
        held = (block.t_s >= item.start_s) & (block.t_s <= item.end_s)
        sent = block.linear_mm[held, 0].mean()
        found = truth.linear_gain * sent + truth.linear_offset_mm
        assert found == pytest.approx(item.length_mm, abs=0.25), "curve, steps and tremor"


def test_known_lengths_are_held_one_after_the_other() -> None:
    _, truth = simulate_block(load("known_lengths"))
    found = [item.length_mm for item in truth.lengths]
    assert found == pytest.approx([10.0, 30.0, 50.0, 70.0, 90.0], abs=0.1)


def sensor(kind: LinearKind, **other: float) -> LinearChannels:
    linear = LinearSensor(kind=kind, nonlinearity_mm=0.0, **other)
    return LinearChannels(realise(Scenario(linear=linear), 1))


def test_potentiometer_counts_as_the_firmware_does() -> None:
    """firmware/core/potentiometer.h: sum of 16 conversions of 10 bits, full travel 100 mm."""
    made = sensor(LinearKind.POTENTIOMETER, noise_mm=0.0)
    raw = made.read(np.arange(4.0), np.array([-1.0, 0.0, 50.0, 101.0]))[:, 0]
    assert raw.tolist() == [0, 0, 16 * 512, 16 * 1023]
    assert POTENTIOMETER.scale * 16 * 1023 == pytest.approx(100.0)
    assert CALIPER.scale == pytest.approx(0.0001, rel=1e-7), "firmware/core/caliper.h"


def test_noise_and_sixteen_conversions_see_between_the_steps() -> None:
    """A step is 0.098 mm; noise of a third of it spreads the sixteen over two or three."""
    made = sensor(LinearKind.POTENTIOMETER, noise_mm=0.05)
    lengths = np.repeat(np.linspace(40.0, 40.2, 9), 400)
    raw = made.read(np.arange(lengths.size) / 100.0, lengths)[:, 0]
    means = (raw * POTENTIOMETER.scale).reshape(9, 400).mean(axis=1)
    assert np.ptp(means - np.linspace(40.0, 40.2, 9)) < 0.01


def test_caliper_shows_hundredths_and_holds_between_packets() -> None:
    made = sensor(LinearKind.CALIPER, noise_mm=0.0)
    raw = made.read(np.arange(30) / 100.0, np.linspace(20.0, 23.0, 30))[:, 0]
    assert np.all(raw % 100 == 0)
    assert np.unique(raw).size == 3, "ten packets a second"


def test_reading_does_not_depend_on_how_times_are_divided() -> None:
    scenario = load("string_caliper")
    whole, parts = Rig(scenario, 3), Rig(scenario, 3)
    t_s = np.arange(1200) / 100.0
    pieces = [parts.raw(part, 0.01) for part in np.array_split(t_s, 7)]
    assert np.array_equal(whole.raw(t_s, 0.01), np.concatenate(pieces))


@pytest.mark.parametrize("fault", ["linear_stuck", "linear_open"])
def test_a_dead_sensor_never_moves(fault: str) -> None:
    block, _ = simulate_block(load("draw_wire", faults=fault))
    assert np.ptp(block.linear_mm[:, 0]) == 0.0
    expected = 100.0 if fault == "linear_open" else 37.0
    assert block.linear_mm[0, 0] == pytest.approx(expected, abs=0.1)


def test_a_missing_sensor_has_no_readings() -> None:
    block, _ = simulate_block(load("draw_wire", faults="linear_missing"))
    gone = np.isnan(block.linear_mm[:, 0])
    assert gone.sum() == pytest.approx(300, abs=2)
    assert block.t_s[gone].min() == pytest.approx(9.0, abs=0.02)


def test_without_a_linear_sensor_nothing_changes() -> None:
    """The sensor and its linkage draw from streams of their own."""
    with_wire, _ = simulate_block(load("draw_wire"), seed=4)
    scenario = dataclasses.replace(load("draw_wire"), linear=LinearSensor(), linkage=Linkage())
    without, _ = simulate_block(scenario, seed=4)
    assert without.linear_mm is None
    assert np.array_equal(with_wire.accel_g, without.accel_g)


def test_the_pod_sends_what_the_study_sees() -> None:
    """Through frames and the shipping decoder; widths differ from row to row."""
    scenario = load("string_caliper", **{"script.wheels": "LF"})
    pod, decoder, messages = SimulatedPod(scenario, 2), PodDecoder(), []
    while not pod.finished:
        decoder.receive_data(pod.advance(pod.now_s + 0.1))
        for message in decoder.events():
            messages.append(message)
            if isinstance(message, Hello) and not message.streaming:
                pod.receive(encode_command(Command.START, 1))
    sent = BlockAssembler().push_many(messages)
    assert sent is not None and sent.linear_mm is not None
    studied, _ = simulate_block(scenario, seed=2)
    same = min(len(sent), len(studied))
    assert sent.linear_mm.shape[1] == 2
    assert np.allclose(sent.linear_mm[:same], studied.linear_mm[:same], rtol=0, atol=1e-9)
