"""How often a validation's verdict is right, over simulated pods and references.

    python tests/benchmarks/verdicts.py [RUNS]

A pod's whole error is the largest |error| over the tested range and from either side, plus
1.96 times the scatter of its single readings; the pod keeps the tolerance T if that is T or less.
Each run draws the shape of the error (bias, scale, bow, S-shape, hysteresis), the scatter, the
reference (zero, scale, reading error, resolution) and the range, and scales the pod to the whole
error of its class; the reference's errors are drawn from its stated uncertainties. Wanted: of pods
out of tolerance, the limit included, fewer than 5 % pass in every class; of pods at a quarter of T
with a reference good to 0.15 of T (one sigma) 90 % or more pass.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np

from knuckle.agreement.assess import supported_fit
from knuckle.agreement.comparison import Comparison, PodReading, ReferenceReading
from knuckle.agreement.design import Design, Step, different_angles, steps_of
from knuckle.agreement.limits import WIDTH
from knuckle.agreement.reference import Reference, ReferenceKind
from knuckle.agreement.verdict import Verdict, judge

TOLERANCE_DEG = 0.2


@dataclass(frozen=True)
class Pod:
    """Error of a pod: polynomial of angle over reach, hysteresis, scatter; deg."""

    polynomial: tuple[float, ...]
    hysteresis: float
    scatter: float
    reach: float

    def error(self, angle_deg: float, direction: int = 0) -> float:
        scaled = angle_deg / self.reach
        curve = sum(c * scaled**power for power, c in enumerate(self.polynomial))
        return curve + 0.5 * direction * self.hysteresis

    def whole(self, design: Design) -> float:
        """Return the largest error over the range that a design tries, with scatter."""
        tried = design is not Design.REPEAT and design is not Design.REVERSAL
        angles = np.linspace(-self.reach, self.reach, 81) if tried else [0.0]
        sides = (1, -1) if design in (Design.UP_DOWN, Design.FULL) else (0,)
        largest = max(abs(self.error(float(a), d)) for a in angles for d in sides)
        return largest + WIDTH * self.scatter

    def scaled(self, factor: float) -> Pod:
        polynomial = tuple(factor * c for c in self.polynomial)
        return Pod(polynomial, factor * self.hysteresis, factor * self.scatter, self.reach)


@dataclass(frozen=True)
class Case:
    """A class of runs: whole error and the reference's figures, all in units of tolerance."""

    name: str
    whole: tuple[float, float]
    zero: tuple[float, float]
    scale: tuple[float, float] = (0.0, 0.0)
    reading: tuple[float, float] = (0.0, 0.05)
    resolution: tuple[float, float] = (0.0, 0.1)
    scatter: tuple[float, float] = (0.02, 0.15)
    bias_only: bool = False


QUARTER = Case("a quarter", (0.25, 0.25), (0.15, 0.15))
CASES = (
    QUARTER,
    Case("bias of a quarter, scatter 0.05", (0.25, 0.25), (0.15, 0.15), bias_only=True),
    Case("good", (0.3, 0.6), (0.02, 0.1)),
    Case("close", (0.8, 0.99), (0.02, 0.15)),
    Case("at the limit", (1.0, 1.0), (0.0, 0.15)),
    Case("at the limit, much scatter", (1.0, 1.0), (0.0, 0.1), scatter=(0.2, 0.5)),
    Case("at the limit, zero only", (1.0, 1.0), (0.15, 0.3), (0.0, 0.0), (0.0, 0.0), (0.0, 0.0)),
    Case("at the limit, coarse steps", (1.0, 1.0), (0.0, 0.1), resolution=(0.3, 1.0)),
    Case("at the limit, poor scale", (1.0, 1.0), (0.0, 0.05), (0.1, 0.3)),
    Case("bad", (1.0, 2.0), (0.02, 0.15)),
    Case("undecidable", (0.4, 1.6), (0.3, 1.0), (0.0, 0.5), (0.0, 0.3), (0.0, 1.0)),
)


def draw_pod(rng: np.random.Generator, case: Case, reach: float, design: Design) -> Pod:
    """Return a pod whose whole error is as its class says."""
    if case.bias_only:
        sign = rng.choice([-1.0, 1.0])
        return Pod((sign * case.whole[0] * TOLERANCE_DEG,), 0.0, 0.05 * TOLERANCE_DEG, reach)
    leading = rng.integers(0, 4)
    polynomial = rng.normal(0.0, 0.15, 4)
    polynomial[leading] = rng.choice([-1.0, 1.0])
    pod = Pod(tuple(polynomial), float(rng.normal(0.0, 0.1)), 0.0, reach)
    whole = TOLERANCE_DEG * rng.uniform(*case.whole)
    scatter = whole * rng.uniform(*case.scatter)
    pod = pod.scaled((whole - WIDTH * scatter) / pod.whole(design))
    return Pod(pod.polynomial, pod.hysteresis, scatter, reach)


def draw_reference(rng: np.random.Generator, case: Case, reach: float) -> Reference:
    """Return a reference with the figures of its class."""
    zero, reading, resolution, scale = (
        TOLERANCE_DEG * rng.uniform(*bounds)
        for bounds in (case.zero, case.reading, case.resolution, case.scale)
    )
    return Reference(ReferenceKind.GAUGE, resolution, reading, zero, scale / reach)


def compare(rng: np.random.Generator, pod: Pod, reference: Reference, design: Design) -> Comparison:
    """Return what a run over the shortest of a design reads."""
    return compare_steps(rng, pod, reference, steps_of(design, -pod.reach, pod.reach))


def compare_steps(
    rng: np.random.Generator, pod: Pod, reference: Reference, steps: tuple[Step, ...]
) -> Comparison:
    """Return what a run over steps reads."""
    zero = rng.normal(0.0, reference.zero_deg)
    scale = 1.0 + rng.normal(0.0, reference.scale)
    angles: dict[int, float] = {}
    shown, read = [], []
    for index, step in enumerate(steps):
        if step.setting not in angles:
            # Not set to the reference's marks: somewhere near the wanted angle.
            climbs = step.part in (Design.LINEAR, Design.UP_DOWN)
            angle = step.target_deg + climbs * rng.uniform(-0.03, 0.03) * pod.reach
            angles[step.setting] = min(max(angle, -pod.reach), pod.reach)
            value = angles[step.setting] * scale + zero + rng.normal(0.0, reference.reading_deg)
            if reference.resolution_deg > 0.0:
                value = round(value / reference.resolution_deg) * reference.resolution_deg
            shown.append(ReferenceReading(step.setting, value))
        stood = (-1.0 if step.turned else 1.0) * angles[step.setting]
        value = stood + pod.error(stood, step.direction) + rng.normal(0.0, pod.scatter)
        read.append(
            PodReading(
                *(step.setting, value, 0.002, step.seat, step.turned, step.direction),
                time_s=20.0 * index,
            )
        )
    return Comparison(reference, tuple(shown), tuple(read), different_angles(steps))


def one_verdict(seed: int, case: Case, design: Design) -> Verdict:
    """Draw a run and judge it."""
    rng = np.random.default_rng([seed, *case.name.encode(), *design.value.encode()])
    reach = float(rng.choice([3.0, 5.0, 10.0]))
    pod = draw_pod(rng, case, reach, design)
    comparison = compare(rng, pod, draw_reference(rng, case, reach), design)
    return judge(comparison, supported_fit(comparison), TOLERANCE_DEG).verdict


def shares(
    case: Case, design: Design, runs: int, mapped: Callable[..., object] = map
) -> dict[Verdict, float]:
    """Return how often each verdict was given."""
    found = Counter(mapped(partial(one_verdict, case=case, design=design), range(runs)))
    return {verdict: found[verdict] / runs for verdict in Verdict}


def main() -> int:
    """Print the shares of verdicts."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    print(f"shares of verdicts, {runs} runs a line; tolerance T, figures in units of T")
    print(f"{'design':<9}{'class':<34}{'pass':>7}{'fail':>7}{'coarse':>8}{'few':>7}")
    with ProcessPoolExecutor() as pool:
        mapped = partial(pool.map, chunksize=max(1, runs // 50))
        for design in Design:
            for case in CASES:
                s = shares(case, design, runs, mapped)
                print(
                    f"{design.value:<9}{case.name:<34}{s[Verdict.PASS]:7.1%}{s[Verdict.FAIL]:7.1%}"
                    f"{s[Verdict.TOO_COARSE]:8.1%}{s[Verdict.TOO_FEW]:7.1%}",
                    flush=True,
                )
    return 0


if __name__ == "__main__":
    sys.exit(main())
