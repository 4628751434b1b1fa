"""Two simulated pods on one car: one person, and an inner wheel that turns further."""

from __future__ import annotations

import numpy as np
import pytest

from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel
from knuckle.sim.moves import Motion1, Submove, Track
from knuckle.sim.pod import SimulatedPod
from knuckle.sim.scenario import load
from knuckle.sim.turn_out import motion_of_wheel, of_wheel_deg
from knuckle.sim.world import on_one_car
from knuckle.wire.commands import cue as cue_payload
from knuckle.wire.commands import encode_command
from knuckle.wire.messages import Command, Cue


def pods(**changes: str) -> list[SimulatedPod]:
    return [
        SimulatedPod(load("both_wheels", wheel=wheel, purpose="sweep", **changes), 3)
        for wheel in ("LF", "RF")
    ]


def test_wheels_roll_about_one_centre() -> None:
    """Ackermann's condition, from plain trigonometry: all four wheels' axes meet in one point."""
    track, wheelbase = 1.52, 2.45
    for turn in (-38.0, -5.0, 0.3, 20.0):
        left, right = (
            float(of_wheel_deg(np.array([turn]), track / wheelbase, side)[0]) for side in (1, -1)
        )
        # The centre lies on the rear axle, so far to the left of its middle.
        radius = wheelbase / np.tan(np.radians(turn))
        assert np.tan(np.radians(left)) == pytest.approx(wheelbase / (radius - track / 2.0))
        assert np.tan(np.radians(right)) == pytest.approx(wheelbase / (radius + track / 2.0))


def test_rate_and_acceleration_are_derivatives() -> None:
    track = Track(2.0, [Submove("reach", 0.0, 2.0, 25.0), Submove("reach", 2.5, 2.0, -50.0)])
    t_s = np.linspace(0.1, 4.4, 4301)
    step = t_s[1] - t_s[0]
    for side in (1, -1):
        moved = motion_of_wheel(track.at(t_s), 0.7, side)
        assert isinstance(moved, Motion1)
        by_difference = np.gradient(moved.value, step)
        assert moved.rate[5:-5] == pytest.approx(by_difference[5:-5], abs=2e-3)
        again = np.gradient(moved.rate, step)
        assert moved.acceleration[5:-5] == pytest.approx(
            again[5:-5], abs=0.15
        )  # its slope jumps at the ends of a move


def test_a_cue_to_one_pod_moves_the_one_person() -> None:
    left, right = pods()
    on_one_car([left, right])
    for pod in (left, right):
        pod.advance(0.2)
        pod.receive(encode_command(Command.START, 1))
    assert left.script_s == right.script_s
    left.advance(2.0)
    right.advance(2.05)
    left.receive(encode_command(Command.CUE, 2, cue_payload(Cue.TAKEN)))
    right.receive(encode_command(Command.CUE, 2, cue_payload(Cue.TAKEN)))
    for pod in (left, right):
        pod.advance(12.0)
    one, other = left.truth().rests, right.truth().rests
    assert [rest.start_s for rest in one] == [rest.start_s for rest in other]
    # Within a reaction of 0.45 to 0.9 s of the one moment at which both were ahead of it.
    assert 1.85 + 0.45 <= one[0].end_s <= 1.85 + 0.9
    assert abs(one[1].steer_deg) != pytest.approx(abs(other[1].steer_deg), abs=1.0)


def test_pods_apart_are_as_they_were() -> None:
    alone, joined = pods()[0], pods()
    on_one_car(joined)
    bytes_of = []
    for pod in (alone, joined[0]):
        pod.advance(0.2)
        pod.receive(encode_command(Command.START, 1))
        bytes_of.append(pod.advance(9.0))
    assert bytes_of[0] == bytes_of[1]


def test_two_cars_are_not_one() -> None:
    left, right = pods()
    other = SimulatedPod(load("both_wheels", wheel="RF", purpose="sweep"), 4)
    with pytest.raises(UsageError, match="not on one car"):
        on_one_car([left, other])
    turned = pods(**{"car.RF.toe_deg": "1"})[1]
    with pytest.raises(UsageError, match="not on one car"):
        on_one_car([left, turned])
    with pytest.raises(UsageError, match="on one wheel"):
        on_one_car([right, pods()[1]])
    assert right.scenario.wheel is Wheel.RF
