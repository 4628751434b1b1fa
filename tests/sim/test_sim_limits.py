"""Every key at both of its limits gives a run, not a traceback."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from typing import Any, get_type_hints

import numpy as np
import pytest

from knuckle.errors import UsageError
from knuckle.sim.pod import SimulatedPod
from knuckle.sim.recording import simulate_block
from knuckle.sim.scenario import Scenario, load
from knuckle.wire.codec import encode_command
from knuckle.wire.messages import Command


def _limits(cls: type[Any], path: str = "") -> Iterator[tuple[str, object]]:
    hints = get_type_hints(cls)
    for field in dataclasses.fields(cls):
        hint, name = hints[field.name], f"{path}{field.name}"
        if dataclasses.is_dataclass(hint):
            assert isinstance(hint, type)
            yield from _limits(hint, f"{name}.")
            continue
        high = field.metadata["high"]
        ends = [field.metadata["low"], high if math.isfinite(high) else 1000.0]
        if hint is bool:
            yield from ((name, choice) for choice in (False, True))
        elif hint in (int, float):
            yield from ((name, end) for end in ends)
        elif not isinstance(hint, type) and hint.__args__[0] is float:
            count = 1 if hint.__args__[-1] is Ellipsis else len(hint.__args__)
            yield from ((name, [end] * count) for end in ends)


CASES = list(_limits(Scenario))


def test_there_are_limits_to_try() -> None:
    assert len(CASES) > 150
    numbers = [value for _, value in CASES if isinstance(value, float)]
    assert all(math.isfinite(value) for value in numbers)


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize(("name", "value"), CASES, ids=[f"{name}={value}" for name, value in CASES])
def test_a_key_at_its_limit(name: str, value: object) -> None:
    on: dict[str, Any] = {}
    if name.startswith("faults."):
        on[".".join(name.split(".")[:2]) + ".on"] = True
    scenario = load("garage", **{**on, name: value})
    if (name, value) == ("pod.baud", 1200):
        with pytest.raises(UsageError, match="baud"):
            simulate_block(scenario)
        return
    block, _ = simulate_block(scenario, duration_s=4.0)
    assert np.isfinite(block.accel_g).all()
    pod = SimulatedPod(scenario)
    data = pod.advance(0.5)
    pod.receive(encode_command(Command.START, 1))
    data += pod.advance(4.0)
    # At the limits of delay and loss hardly anything arrives; the hello at boot does otherwise.
    assert data or name.startswith("faults.line")
