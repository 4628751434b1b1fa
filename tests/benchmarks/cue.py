"""From coming to rest to the cue that the reading is taken, the whole live path in pod time.

    python tests/benchmarks/cue.py [SWEEPS]

Counted from when steer stays within 0.1 deg of its final value to the pod receiving the cue:
frames, link steps of 20 ms, rest detector and guide included; a simulated pod at 100 Hz with data
sheet noise, no knocks. Wanted: 95th percentile at most 1.5 s.
"""

from __future__ import annotations

import asyncio
import sys

import numpy as np

from knuckle.links.schemes import open_link
from knuckle.links.sim import SimLink
from knuckle.model.wheel import Wheel
from knuckle.run.calibrations import stored_in_pod
from knuckle.run.guide_sweep import SweepGuide
from knuckle.run.loop import RunLoop
from knuckle.wire.messages import Cue


async def delays_of(seed: int) -> list[float | None]:
    """Return for each scripted rest of one sweep the delay of its cue, s; None without one."""
    wheel = (Wheel.LF, Wheel.RF)[seed % 2]
    address = f"sim:garage?seed={seed}&transport=memory"
    link = open_link(address, wheel=wheel, purpose="sweep")
    assert isinstance(link, SimLink)
    guide = SweepGuide(wheel)
    taken: list[float] = []
    async with RunLoop({wheel: link}, calibration_of=stored_in_pod) as loop:
        async for event in loop.events():
            for cue in guide.take(event):
                await loop.cue(wheel, cue)
                if cue is Cue.TAKEN:
                    taken.append(link.pod.script_s)
            if guide.finished:
                break
    delays: list[float | None] = []
    for rest in link.pod.truth().rests:
        cues = [at - rest.start_s for at in taken if rest.start_s - 0.3 < at < rest.end_s + 0.5]
        delays.append(cues[0] if cues else None)
    return delays


def main() -> None:
    """Run the sweeps and print the delays."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    found = [delay for seed in range(count) for delay in asyncio.run(delays_of(seed))]
    delays = np.array([delay for delay in found if delay is not None])
    median, high, worst = np.percentile(delays, [50, 95, 100])
    print(f"cue after coming to rest, {delays.size} rests of {count} live sweeps: ", end="")
    print(f"median {median:.2f} s, 95 % {high:.2f} s (wanted 1.5), longest {worst:.2f} s; ", end="")
    print(f"{len(found) - delays.size} rests without a cue")


if __name__ == "__main__":
    main()
