"""Figures of noise from made records of known size: how far off, how often the truth is held.

    python tests/benchmarks/noise_figures.py [RECORDS]

Each row is RECORDS records of 300 s at 100 samples/s: white noise of density 1 with flicker of a
bias instability or a random walk beside it. Wanted: density within 1 %; where a figure is
supported, two-sigma intervals hold the truth in about 95 %; what is not there is supported in
at most 5 %; bounds hold in at least 95 %.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from knuckle.model.block import FloatArray
from knuckle.noise.curve import curve_of
from knuckle.noise.figures import Estimate, figures_of
from noise.synthetic import RATE_HZ, flicker, walk, white

N = 30000
Make = Callable[[np.random.Generator], FloatArray]


def said(estimates: Sequence[Estimate], truth: float) -> str:
    """Return how estimates compare with the truth, in one line."""
    stated = [each for each in estimates if not each.bound]
    bounds = np.array([each.value for each in estimates if each.bound])
    parts = [f"supported {len(stated) / len(estimates):4.0%}"]
    if stated and truth > 0.0:
        values = np.array([each.value for each in stated])
        u = np.array([each.u for each in stated])
        held = np.mean(np.abs(values - truth) <= 2.0 * u)
        parts.append(f"mean {values.mean():.3f} of {truth:g}, held {held:4.0%}")
    if len(bounds) and truth > 0.0:
        parts.append(f"bounds hold {np.mean(bounds >= truth):4.0%}")
    return ", ".join(parts)


def row(name: str, make: Make, records: int, instability: float, walked: float) -> None:
    """Print one kind of noise."""
    rng = np.random.default_rng(5)
    found = [figures_of(curve_of([make(rng)], RATE_HZ)) for _ in range(records)]
    figures = [each for each in found if each is not None]
    whites = [each.white for each in figures if each.white is not None]
    print(f"{name}: {len(figures)} of {records}")
    print(f"  density      {said(whites, 1.0)}")
    print(f"  instability  {said([each.instability for each in figures], instability)}")
    print(f"  random walk  {said([each.walk for each in figures], walked)}")
    print(f"  could be either {np.mean([each.either for each in figures]):.0%}", flush=True)


def main() -> None:
    """Print all rows."""
    records = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    row("white", lambda rng: white(N, 1.0, rng), records, 0.0, 0.0)
    for size in (0.02, 0.1, 0.5):
        row(
            f"white and a random walk of {size:g}",
            lambda rng, size=size: white(N, 1.0, rng) + walk(N, size, rng),  # type: ignore[misc]
            records,
            0.0,
            size,
        )
    for size in (0.1, 0.3, 1.0):
        row(
            f"white and flicker of {size:g}",
            lambda rng, size=size: white(N, 1.0, rng) + flicker(N, size, rng),  # type: ignore[misc]
            records,
            size,
            0.0,
        )


if __name__ == "__main__":
    main()
