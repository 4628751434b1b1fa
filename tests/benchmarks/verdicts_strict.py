"""Verdicts over runs as long as `knuckle validate` plans them, drawn apart from verdicts.py.

    python tests/benchmarks/verdicts_strict.py [RUNS]

The reference is good to 0.15 of the tolerance T, one sigma, read in five ways: all of it zero; a
stated limit that counts as zero and as scale; reading error alone; a mixture; coarse steps. Angles
are met to 0.1 deg (where one alone is tried, exactly).

Of pods whose mean error is T/4 with seatings that scatter by 0.005 T, T/20 and T/10, and of one
whose error grows to T/4 at the ends, 90 % or more are to pass; a design that cannot do it must say
so ("told" is what it says). Of pods whose whole error (largest mean error over the range, 1.96 x
scatter with the drift as a rectangle in it) is T, fewer than 5 % are to pass, whatever it is made
of: bias, gain, waves slow and fast against the angle, drift through the run, scatter.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np

from knuckle.agreement.assess import supported_fit
from knuckle.agreement.comparison import Comparison, PodReading, ReferenceReading
from knuckle.agreement.design import Design, Step, different_angles
from knuckle.agreement.planning import planned
from knuckle.agreement.reference import Reference, ReferenceKind
from knuckle.agreement.verdict import Verdict, judge

T = 0.2
REACH = 5.0
ROUGHLY_DEG = 0.1


def _reference(
    zero: float = 0.0, scale: float = 0.0, reading: float = 0.0, step: float = 0.0
) -> Reference:
    return Reference(ReferenceKind.GAUGE, step * T, reading * T, zero * T, scale * T / REACH)


REFERENCES = {
    "zero": _reference(zero=0.15),
    "limit": _reference(zero=0.15 / 3.0**0.5, scale=0.15 / 3.0**0.5, step=0.05),
    "reading": _reference(reading=0.15),
    "mixture": _reference(zero=0.09, scale=0.05, reading=0.1, step=0.1),
    "steps": _reference(zero=0.05, step=0.3),
}


@dataclass(frozen=True)
class Shape:
    """Error of a pod, deg: bias, gain at the end of the range, a wave, drift, scatter."""

    bias: float = 0.0
    gain: float = 0.0
    wave: float = 0.0
    period_deg: float = 10.0
    phase: float = 0.0
    drift: float = 0.0
    scatter: float = 0.0

    def error(self, angle_deg: float) -> float:
        turn = 2.0 * np.pi * angle_deg / self.period_deg + self.phase
        return float(self.bias + self.gain * angle_deg / REACH + self.wave * np.sin(turn))

    def whole(self, angles_deg: list[float]) -> float:
        largest = max(abs(self.error(angle)) for angle in angles_deg)
        return float(largest + 1.96 * np.hypot(self.scatter, self.drift / 12.0**0.5))

    def times(self, factor: float) -> Shape:
        names = ("bias", "gain", "wave", "drift", "scatter")
        return replace(self, **{name: factor * getattr(self, name) for name in names})


GOOD = {
    "T/4": Shape(bias=0.25, scatter=0.005),
    "+T/20": Shape(bias=0.25, scatter=0.05),
    "+T/10": Shape(bias=0.25, scatter=0.1),
    "gain": Shape(gain=0.25, scatter=0.05),
}


def bad(rng: np.random.Generator) -> dict[str, Shape]:
    """Return shapes of which any may be scaled to the tolerance."""
    phase = float(rng.uniform(0.0, 2.0 * np.pi))
    return {
        "bias": Shape(bias=1.0, scatter=0.05),
        "both": Shape(bias=0.6, scatter=0.2),
        "gain": Shape(bias=0.1, gain=float(rng.choice([-1.0, 1.0])), scatter=0.05),
        "wave": Shape(0.2, wave=1.0, period_deg=rng.uniform(4.0, 20.0), phase=phase, scatter=0.05),
        "ripple": Shape(0.2, wave=1.0, period_deg=rng.uniform(1.2, 3.0), phase=phase, scatter=0.05),
        "drift": Shape(bias=0.6, drift=float(rng.choice([-0.4, 0.4])), scatter=0.05),
        "scatter": Shape(bias=0.1, scatter=0.45),
    }


def readings(
    rng: np.random.Generator, pod: Shape, reference: Reference, steps: tuple[Step, ...]
) -> Comparison:
    """Return what is read in a run."""
    zero, scale = rng.normal(0.0, reference.zero_deg), rng.normal(0.0, reference.scale)
    roughly_deg = ROUGHLY_DEG if different_angles(steps) > 1 else 0.0
    angles: dict[int, float] = {}
    shown, read = [], []
    for index, step in enumerate(steps):
        if step.setting not in angles:
            angle = step.target_deg + rng.normal(0.0, roughly_deg)
            angles[step.setting] = angle
            value = angle * (1.0 + scale) + zero + rng.normal(0.0, reference.reading_deg)
            if reference.resolution_deg > 0.0:
                value = round(value / reference.resolution_deg) * reference.resolution_deg
            shown.append(ReferenceReading(step.setting, float(value)))
        stood = -angles[step.setting] if step.turned else angles[step.setting]
        late = pod.drift * (index / (len(steps) - 1) - 0.5)
        value = stood + pod.error(stood) + late + rng.normal(0.0, pod.scatter)
        read.append(
            PodReading(
                *(step.setting, float(value), 0.002, step.seat, step.turned, step.direction),
                time_s=20.0 * index,
            )
        )
    return Comparison(reference, tuple(shown), tuple(read), different_angles(steps))


def passes(
    rng: np.random.Generator, pod: Shape, reference: Reference, steps: tuple[Step, ...]
) -> bool:
    """Draw a run and judge it."""
    comparison = readings(rng, pod, reference, steps)
    return judge(comparison, supported_fit(comparison), T).verdict is Verdict.PASS


def at_the_limit(shape: Shape, steps: tuple[Step, ...]) -> Shape:
    """Return the shape with a whole error of T over what the steps try."""
    targets = [-step.target_deg if step.turned else step.target_deg for step in steps]
    angles = [float(a) for a in np.linspace(min(targets), max(targets), 201)]
    return shape.times(T / shape.whole(angles))


def main() -> int:
    """Print the shares that pass."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    kinds = list(bad(np.random.default_rng(0)))
    print(f"shares that pass, %, {runs} runs each; pods at T/4, then pods with whole error T")
    head = "".join(f"{name:>8}" for name in (*GOOD, *kinds))
    print(f"{'design':<9}{'reference':<10}{'readings':>9}{'told':>6}{head}")
    for design in Design:
        for name, reference in REFERENCES.items():
            plan = planned(design, -REACH, REACH, reference, T)
            shares = []
            for kind in (*GOOD, *(f"bad {each}" for each in kinds)):
                count = 0
                for seed in range(runs):
                    rng = np.random.default_rng([seed, *kind.encode()])
                    if kind in GOOD:
                        pod = GOOD[kind].times(T * float(rng.choice([-1.0, 1.0])))
                        pod = replace(pod, scatter=abs(pod.scatter))
                    else:
                        pod = at_the_limit(bad(rng)[kind[4:]], plan.steps)
                    count += passes(rng, pod, reference, plan.steps)
                shares.append(100.0 * count / runs)
            told = f"{100.0 * plan.chance:.0f}"
            line = "".join(f"{share:8.1f}" for share in shares)
            print(f"{design.value:<9}{name:<10}{len(plan.steps):>9}{told:>6}{line}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
