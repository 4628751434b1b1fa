"""How often the 95 % intervals of a wheel-turn run, and of camber by it, cover the truth.

    python tests/benchmarks/spin.py [RUNS]

Each run draws a mount (up to 3 deg in tilt and in yaw), 1 deg of runout in a drawn direction, a
calibrated sensor's errors, a car that leans a little from stop to stop, and a way of turning:
three to nine stops, or one slow turn. Then a camber on that mounting is measured. Readings are
made by scipy rotations, sharing no code with the package. Wanted: 93 to 97 %.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from knuckle.analysis.camber import analyse_camber
from knuckle.analysis.request import Request
from knuckle.analysis.spin import analyse_spin
from knuckle.errors import MeasurementRefused
from knuckle.estimate.priors import AccelerometerPrior, Given, Priors
from knuckle.model.block import Block
from knuckle.model.rest import Rest
from knuckle.model.result import Quantity
from knuckle.model.wheel import Wheel

NOISE_G = 400e-6
RATE_HZ = 20.0
STOP_S = 2.0
LEAN_DEG = 0.02
EXACT = Given(0.0, 1e-6)


@dataclass(frozen=True)
class Drawn:
    """A pod on a wheel.

    Attributes
    ----------
    spin : ndarray, shape (3,)
        In pod axes.
    matrix, bias_g, curve : ndarray
        What the sensor makes of true forces.
    """

    spin: np.ndarray
    matrix: np.ndarray
    bias_g: np.ndarray
    curve: np.ndarray

    def read(self, force: np.ndarray) -> np.ndarray:
        return np.asarray(force @ self.matrix.T + self.bias_g + self.curve * (force**2 - 0.6))

    def up(self, turn_rad: np.ndarray, camber_deg: np.ndarray) -> np.ndarray:
        """Return "up" in pod axes: the wheel turned about its spin axis, which leans."""
        e = self.spin
        level = np.array([0.0, 0.0, 1.0]) - e * e[2]
        level /= np.linalg.norm(level)
        lean = -np.sin(np.radians(camber_deg))[:, None]
        start = level * np.sqrt(1.0 - lean**2) + e * lean
        return np.array(
            [Rotation.from_rotvec(-e * t).apply(u) for t, u in zip(turn_rad, start, strict=True)]
        )


def draw(rng: np.random.Generator, prior: AccelerometerPrior) -> Drawn:
    """Return a pod whose sensor's errors are drawn from what is known of them."""
    errors = rng.multivariate_normal(np.zeros(len(prior.covariance)), prior.covariance)
    yaw, tilt = rng.uniform(-3.0, 3.0, 2)
    runout, at = 1.0, rng.uniform(0.0, 2.0 * np.pi)
    yaw, tilt = np.radians([yaw + runout * np.sin(at), tilt + runout * np.cos(at)])
    spin = np.array([np.tan(yaw), 1.0, np.tan(tilt)])
    turn = Rotation.from_rotvec(errors[12:15]).as_matrix()
    matrix = (np.eye(3) + errors[3:12].reshape(3, 3)) @ turn
    return Drawn(spin / np.linalg.norm(spin), matrix, errors[:3], errors[15:18])


def rest_of(rng: np.random.Generator, reading: np.ndarray, at_s: float) -> Rest:
    """Return a rest of two seconds at a reading, with its noise."""
    count = int(STOP_S * 100)
    variance = NOISE_G**2 * 50.0 / count
    accel = reading + np.sqrt(variance) * rng.standard_normal(3)
    size = np.full(3, float(count))
    where = (at_s, at_s + STOP_S, 0, count, 0, count)
    cov = np.eye(3) * variance
    return Rest(*where, size, accel, cov, None, None, None, None, None, False, 0, True)


def turned(
    rng: np.random.Generator, pod: Drawn, stops: int, lean_deg: float = LEAN_DEG
) -> tuple[Block, list[Rest]]:
    """Return samples and rests of a wheel turned through a full turn; no stops: a slow turn.

    The car leans otherwise at each stop; in a slow turn its lean wanders.
    """
    end_s = 30.0
    t_s = np.arange(0.0, end_s, 1.0 / RATE_HZ)
    camber = rng.uniform(-3.0, 3.0)
    if stops:
        places = np.linspace(0.0, 2.0 * np.pi, stops, endpoint=stops > 3)
        places = places + np.radians(8.0) * rng.standard_normal(stops)
        when = np.linspace(0.0, end_s - STOP_S, stops)
        stood = camber + lean_deg * rng.standard_normal(stops)
        knots = np.ravel([[at, at + STOP_S] for at in when])
        angle = np.interp(t_s, knots, np.repeat(places, 2))
        lean = np.interp(t_s, knots, np.repeat(stood, 2))
    else:
        when = np.array([0.0, end_s - STOP_S])
        angle = 2.0 * np.pi * np.clip((t_s - STOP_S) / (end_s - 2.0 * STOP_S), 0.0, 1.0)
        places = angle[[0, -1]]
        lean = camber + lean_deg * wandering(rng, len(t_s), float(rng.uniform(0.3, 3.0)))
        size = int(STOP_S * RATE_HZ)
        stood = np.array([lean[:size].mean(), lean[-size:].mean()])
    rests = [
        rest_of(rng, reading, float(at))
        for reading, at in zip(pod.read(pod.up(places, stood)), when, strict=True)
    ]
    read = pod.read(pod.up(angle, lean))
    read = read + NOISE_G * np.sqrt(RATE_HZ / 2.0) * rng.standard_normal(read.shape)
    none = np.zeros(len(t_s), dtype=int)
    block = Block(t_s, read, None, None, None, none, none, none.astype(bool), RATE_HZ)
    return block, rests


def wandering(rng: np.random.Generator, count: int, over_s: float) -> np.ndarray:
    """Return noise of unit variance with an exponential correlation."""
    kept = np.exp(-1.0 / RATE_HZ / over_s)
    found = rng.standard_normal(count)
    for i in range(1, count):
        found[i] = kept * found[i - 1] + np.sqrt(1.0 - kept**2) * found[i]
    return found


WAYS = (0, 3, 4, 5, 7, 9)
"""Stops of a turn; 0: a slow turn."""


def one_run(
    seed: int, ways: tuple[int, ...] = WAYS, lean_deg: float = LEAN_DEG
) -> dict[str, float] | None:
    """Return each quantity's error over its expanded uncertainty, and that uncertainty.

    None if it was refused.
    """
    rng = np.random.default_rng(seed)
    prior = AccelerometerPrior.after_calibration()
    priors = Priors(accelerometer=prior, pads_across=EXACT, pads_along=EXACT)
    request = Request(Wheel.LF, priors)
    pod = draw(rng, prior)
    block, rests = turned(rng, pod, int(rng.choice(ways)), lean_deg)
    try:
        outcome, mounting = analyse_spin(block, rests, request)
    except MeasurementRefused:
        return None
    tilt, yaw = np.degrees(np.arctan(pod.spin[[2, 0]] / pod.spin[1]))
    camber = rng.uniform(-4.0, 4.0)
    at = pod.read(pod.up(rng.uniform(0.0, 2.0 * np.pi, 1), np.array([camber])))
    by_it = replace(request, priors=mounting.on(priors, None))
    without = replace(request, priors=priors)
    found = [rest_of(rng, at[0], 0.0)]
    told = {
        "tilt": (outcome.results[Quantity.MOUNT_TILT], tilt),
        "yaw": (outcome.results[Quantity.MOUNT_YAW], yaw),
        "camber": (analyse_camber(found, by_it).results[Quantity.CAMBER], camber),
        "camber without": (analyse_camber(found, without).results[Quantity.CAMBER], camber),
    }
    told_of = {"CAR_ROCKED", "TURN_UNCHECKED"} & {notice.code for notice in outcome.warnings}
    content: dict[str, float] = {"told": float(bool(told_of))}
    for name, (result, truth) in told.items():
        content[f"{name} ratio"] = (result.value - truth) / result.expanded_uncertainty
        content[f"{name} expanded"] = result.expanded_uncertainty
        content[f"{name} error"] = result.value - truth
    return content


def coverage(
    runs: int, ways: tuple[int, ...] = WAYS, lean_deg: float = LEAN_DEG
) -> dict[str, tuple[float, float, float]]:
    """Return for each quantity: share covered in %, rms error and mean expanded, deg."""
    made = [one for one in (one_run(seed, ways, lean_deg) for seed in range(runs)) if one]
    found = {}
    for name in ("tilt", "yaw", "camber", "camber without"):
        ratio = np.array([one[f"{name} ratio"] for one in made])
        error = np.array([one[f"{name} error"] for one in made])
        expanded = float(np.mean([one[f"{name} expanded"] for one in made]))
        found[name] = (
            100.0 * float(np.mean(np.abs(ratio) <= 1.0)),
            float(np.sqrt(np.mean(error**2))),
            expanded,
        )
    return found


def unnoticed(runs: int, ways: tuple[int, ...], lean_deg: float) -> tuple[float, float, float]:
    """Return the share of runs refused, told of, and wrong without a word, in %.

    Wrong is a run whose tilt or yaw is not covered.
    """
    made = [one_run(seed, ways, lean_deg) for seed in range(runs)]
    kept = [one for one in made if one is not None]
    told = sum(one["told"] for one in kept)
    wrong = [one for one in kept if max(abs(one["tilt ratio"]), abs(one["yaw ratio"])) > 1.0]
    silent = sum(not one["told"] for one in wrong)
    return tuple(100.0 * each / runs for each in (runs - len(kept), told, silent))  # type: ignore


def main() -> int:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    print(f"{runs} wheel-turn runs: mount to 3 deg in tilt and yaw, runout 1 deg")
    for name, (covered, rms, expanded) in coverage(runs).items():
        wanted = "the mount's tolerance is too small here" if "without" in name else "93 to 97"
        print(
            f"  {name:<15} covered {covered:5.1f} %  (wanted: {wanted}); rms error {rms:.3f} deg, "
            f"U95 {expanded:.3f} deg"
        )
    for name, ways in (("slow turns alone", (0,)), ("5, 7 or 9 stops", (5, 7, 9))):
        shares = {key: row[0] for key, row in coverage(runs, ways).items()}
        print(
            f"  {name}: tilt {shares['tilt']:.1f} %, yaw {shares['yaw']:.1f} %, "
            f"camber {shares['camber']:.1f} %"
        )
    print(f"{runs} runs with a car that rocks: refused, told of, wrong without a word, %")
    for ways in ((0,), (3,), (4,), (5, 7, 9)):
        for lean_deg in (0.1, 0.3):
            refused, told, silent = unnoticed(runs, ways, lean_deg)
            stops = " or ".join(str(way) for way in ways)
            print(
                f"  {'slow turn' if ways == (0,) else stops + ' stops':<16} {lean_deg} deg: "
                f"{refused:5.1f}  {told:5.1f}  {silent:5.1f}"
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
