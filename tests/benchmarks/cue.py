"""From coming to rest to the cue that the reading is taken, the whole live path in pod time.

    python tests/benchmarks/cue.py [RUNS]

Sweeps are counted from when steer stays within 0.1 deg of its final value, walks round the four
wheels from when the hand has let go of the pod; both to the pod receiving the cue: frames, link
steps of 20 ms, rest detector and guide included; a simulated pod at 100 Hz with data sheet
noise, no knocks. Wanted: 95th percentile at most 1.5 s, and no cue outside a rest.
"""

from __future__ import annotations

import asyncio
import sys

import numpy as np

from knuckle.links.schemes import open_link
from knuckle.links.sim import SimLink
from knuckle.model.wheel import Wheel
from knuckle.run.calibrations import stored_in_pod
from knuckle.run.guide_camber import CamberGuide
from knuckle.run.guide_sweep import SweepGuide
from knuckle.run.loop import RunLoop
from knuckle.wire.messages import Cue

EARLY_S = 0.3
"""How much earlier than the script's rest a cue may come and still belong to it."""
LATE_S = 0.5


async def delays_of(
    link: SimLink, wheel: Wheel, guide: CamberGuide | SweepGuide
) -> tuple[list[float | None], int]:
    """Return for each scripted rest the delay of its cue, s, None without one; and stray cues."""
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
    stray = set(taken)
    for rest in link.pod.truth().rests:
        cues = [at for at in taken if rest.start_s - EARLY_S < at < rest.end_s + LATE_S]
        delays.append(cues[0] - rest.start_s if cues else None)
        stray -= set(cues)
    return delays, len(stray)


async def sweep(seed: int) -> tuple[list[float | None], int]:
    """Carry out one sweep."""
    wheel = (Wheel.LF, Wheel.RF)[seed % 2]
    link = open_link(f"sim:garage?seed={seed}&transport=memory", wheel=wheel, purpose="sweep")
    assert isinstance(link, SimLink)
    return await delays_of(link, wheel, SweepGuide(wheel))


async def walk(seed: int) -> tuple[list[float | None], int]:
    """Carry one pod round the car."""
    order = tuple(Wheel)
    address = f"sim:garage?seed={seed}&transport=memory"
    link = open_link(address, wheel=order[0], purpose="camber_all")
    assert isinstance(link, SimLink)
    return await delays_of(link, order[0], CamberGuide(order))


async def measure(count: int) -> None:
    """Run sweeps and walks and print the delays."""
    for name, one in (("sweeps", sweep), ("walks round the car", walk)):
        runs = [await one(seed) for seed in range(count)]
        found = [delay for delays, _ in runs for delay in delays]
        delays = np.array([delay for delay in found if delay is not None])
        median, high, worst = np.percentile(delays, [50, 95, 100])
        print(f"cue after coming to rest, {delays.size} rests of {count} live {name}: ", end="")
        print(f"median {median:.2f} s, 95 % {high:.2f} s (wanted 1.5), ", end="")
        print(f"longest {worst:.2f} s; {len(found) - delays.size} rests without a cue, ", end="")
        print(f"{sum(stray for _, stray in runs)} cues outside a rest")


def main() -> None:
    """Run it as often as is asked for."""
    asyncio.run(measure(int(sys.argv[1]) if len(sys.argv) > 1 else 200))


if __name__ == "__main__":
    main()
