"""Any bytes at the decoder of commands and at a whole pod, with the sanitizers.

The seeded runs are the same every time. `make -C firmware libfuzzer` looks for new paths.
"""

from __future__ import annotations

import re
import subprocess

import pytest

from firmware.board_program import FIRMWARE, make, need
from knuckle.wire.messages import AckCode, Command, FrameType

REACHED = re.compile(r"(\w+)=(\d+)")


@pytest.fixture(scope="module", autouse=True)
def built() -> None:
    need("make", "cc")
    done = make("tests")
    assert done.returncode == 0, done.stdout + done.stderr


def run(target: str, inputs: int, seed: int) -> str:
    done = subprocess.run(
        [FIRMWARE / "build" / "tests" / target, str(inputs), str(seed)],
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    assert done.returncode == 0, f"inputs {inputs}, seed {seed}\n{done.stdout}{done.stderr}"
    assert f"{inputs} inputs" in done.stdout
    return done.stdout


@pytest.mark.parametrize("seed", [1, 2])
def test_the_decoder(seed: int) -> None:
    run("fuzz_receiver", 200_000, seed)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_whole_pod(seed: int) -> None:
    """It keeps to its queues and locks, sends only good frames, answers in the end.

    And the run was no empty one: the pod streamed, lost sensors, refused and obeyed.
    """
    reached = {
        key: int(number) for key, number in REACHED.findall(run("fuzz_commands", 100_000, seed))
    }
    for frame_type in FrameType:
        if frame_type < Command.HELLO:
            assert reached[f"frame_{frame_type:02X}"] > 50, frame_type.name
    for code in AckCode:
        if code is not AckCode.TOO_MANY:  # this pod lets a command wait, or throws it away
            assert reached[f"ack_{code:d}"] > 20, code.name
    assert reached["simulated_s"] > 1000
    assert reached["recoveries"] > 100 and reached["keep_writes"] > 1000
