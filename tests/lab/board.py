"""The emulated board in real time with its serial line on a pseudo-terminal, as a process.

::

    python -m lab.board SCENARIO-ADDRESS

Prints a line of JSON with the pty's name and the truth, then runs until standard input ends.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import sys
import time
import tty
from typing import Final

from knuckle.bench.pod import EmulatedPod
from knuckle.links.schemes import open_link
from knuckle.model.wheel import Wheel

STEP_S: Final = 0.01


def main() -> None:
    """Run the board until standard input ends."""
    pod = open_link(sys.argv[1], wheel=Wheel.LF, purpose=sys.argv[2]).pod  # type: ignore[attr-defined]
    assert isinstance(pod, EmulatedPod)
    own, far = os.openpty()
    tty.setraw(far)
    os.set_blocking(own, False)
    pod.open()
    truth = {
        "camber": pod.truth().wheel.camber_deg,
        "caster": pod.truth().caster_as_swept_deg,
        "steering_axis_inclination": pod.truth().wheel.sai_deg,
    }
    said = {"line": os.ttyname(far), "seed": pod.seed, "truth": truth}
    print(json.dumps(said), flush=True)
    start_s, lost = time.monotonic(), 0
    while True:
        readable, _, _ = select.select([own, sys.stdin], [], [], STEP_S)
        if sys.stdin in readable and not sys.stdin.readline():
            break
        if own in readable:
            with contextlib.suppress(BlockingIOError):
                pod.receive(os.read(own, 4096))
        sent = pod.advance(time.monotonic() - start_s)
        try:
            lost += len(sent) - os.write(own, sent) if sent else 0
        except BlockingIOError:
            lost += len(sent)
    print(json.dumps({"lost": lost, "behind_s": time.monotonic() - start_s - pod.now_s}))
    pod.close()


if __name__ == "__main__":
    main()
