"""A small, seeded source of recordings with known rests, independent of the package's simulator.

One wheel turns about a fixed axis k: up in pod axes is u = R(k, -theta) u0, the gyro reads
theta' k. On top: lever-arm acceleration, white noise from a density, bias that follows g and
time, quantisation, vibration, human moves (minimum jerk, T. Flash & N. Hogan, J. Neurosci. 5,
1985) with tremor, overshoot and creep, knocks, slips and drifts.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from knuckle.model.block import Block

ACCEL_DENSITY_G = 400e-6
GYRO_DENSITY_DPS = 0.005
"""MPU-6050 data sheet rev 3.3, per square root of Hz."""
STANDARD_G = 9.80665


@dataclass(frozen=True)
class Plan:
    """What happens in a recording. Drawn by `random_plan` or written out in a test."""

    rate_hz: float = 100.0
    noise: float = 1.0
    caster_deg: float = 5.0
    sai_deg: float = 12.0
    has_gyro: bool = True
    targets_deg: tuple[float, ...] = (0.0, 20.0, -20.0, 0.0)
    rest_s: tuple[float, ...] = (4.0, 4.0, 4.0, 4.0)
    move_s: tuple[float, ...] = (3.0, 4.0, 3.0)
    drift_dps: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0)
    creep_deg: tuple[float, ...] = (0.0, 0.0, 0.0)
    creep_tau_s: tuple[float, ...] = (0.5, 0.5, 0.5)
    overshoot_deg: tuple[float, ...] = (0.0, 0.0, 0.0)
    tremor_deg: float = 0.02
    knocks_s: tuple[float, ...] = ()
    knock_g: float = 0.08
    knock_length_s: float = 0.3
    slips: tuple[tuple[float, float], ...] = ()
    """(time, degrees) at which the mount gives way."""
    vibration_g: float = 0.0
    vibration_dps: float = 0.0
    vibration_hz: float = 27.0
    bias_dps: tuple[float, float, float] = (1.5, -2.0, 0.7)
    bias_drift_dps_per_s: float = 0.00005
    accel_step_g: float = 1.0 / 16384.0
    gyro_step_dps: float = 1.0 / 131.0
    start_moving: bool = False
    seed: int = 0


@dataclass(frozen=True)
class Truth:
    """Where the wheel stood: `settled_s` to `end_s` it was within 0.1 deg of `steer_deg`."""

    settled_s: float
    start_s: float
    end_s: float
    steer_deg: float
    drift_dps: float
    up: np.ndarray = field(repr=False)


def _minimum_jerk(x: np.ndarray) -> np.ndarray:
    x = np.clip(x, 0.0, 1.0)
    return x**3 * (10.0 - 15.0 * x + 6.0 * x**2)


def _turned(axis: np.ndarray, angle_rad: np.ndarray, vector: np.ndarray) -> np.ndarray:
    """Rodrigues: vector (3,) turned about axis by each angle."""
    c, s = np.cos(angle_rad)[:, None], np.sin(angle_rad)[:, None]
    return vector * c + np.cross(axis, vector) * s + axis * (axis @ vector) * (1.0 - c)


def _steer(
    plan: Plan, t: np.ndarray
) -> tuple[np.ndarray, np.ndarray, list[tuple[float, float, float, float]]]:
    theta = np.full(t.shape, plan.targets_deg[0])
    drift = np.zeros(t.shape)
    spans = []
    now = 0.0
    for i, rest_s in enumerate(plan.rest_s):
        begin = now
        target = plan.targets_deg[i]
        if i > 0:
            move_s = plan.move_s[i - 1]
            amplitude = target - plan.targets_deg[i - 1]
            over = plan.overshoot_deg[i - 1] * np.sign(amplitude)
            creep = plan.creep_deg[i - 1] * np.sign(amplitude)
            inside = t >= now
            reach = amplitude + over - creep
            theta[inside] = plan.targets_deg[i - 1] + reach * _minimum_jerk(
                (t[inside] - now) / move_s
            )
            now += move_s
            if over:
                back = t >= now
                theta[back] -= over * _minimum_jerk((t[back] - now) / 0.6)
                now += 0.6
            if creep:
                after = t >= now
                theta[after] += creep * (1.0 - np.exp(-(t[after] - now) / plan.creep_tau_s[i - 1]))
        moving = t >= now
        drift[moving] += plan.drift_dps[i] * np.minimum(t[moving] - now, rest_s)
        spans.append((begin, now, now + rest_s, target))
        now += rest_s
    return theta, drift, spans


def _tremor(plan: Plan, t: np.ndarray, theta: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    speed = np.abs(np.gradient(theta, t))
    envelope = np.clip(speed / 3.0, 0.0, 1.0)
    wave = sum(np.sin(2 * np.pi * (f * t + rng.uniform())) for f in rng.uniform(6.0, 11.0, size=4))
    return plan.tremor_deg * envelope * np.asarray(wave) / 2.0


def record(plan: Plan) -> tuple[Block, list[Truth]]:
    """Return the recording of a plan and where the wheel truly stood."""
    rng = np.random.default_rng(plan.seed)
    overs = sum(0.6 for o in plan.overshoot_deg if o)
    total = sum(plan.rest_s) + sum(plan.move_s) + overs
    t = np.arange(int(total * plan.rate_hz)) / plan.rate_hz
    aimed, drift, spans = _steer(plan, t)
    theta = aimed + drift + _tremor(plan, t, aimed, rng)
    rate = np.gradient(theta, t)
    k = np.array([-np.tan(np.radians(plan.caster_deg)), -np.tan(np.radians(plan.sai_deg)), 1.0])
    k /= np.linalg.norm(k)
    up = _turned(k, -np.radians(theta), np.array([0.01, 0.02, 0.9997]))
    for at, degrees in plan.slips:
        axis = rng.normal(size=3) * np.array([1.0, 1.0, 0.0])
        axis /= np.linalg.norm(axis)
        late = t >= at
        turned = np.stack([_turned(axis, np.radians([degrees]), u)[0] for u in up[late]])
        up[late] = turned
    arm = np.array([0.02, 0.3, 0.0])
    omega = np.radians(rate)[:, None] * k
    alpha = np.gradient(omega, t, axis=0)
    accel = up + (np.cross(alpha, arm) + np.cross(omega, np.cross(omega, arm))) / STANDARD_G
    gyro = rate[:, None] * k + np.array(plan.bias_dps)
    gyro = gyro + plan.bias_drift_dps_per_s * t[:, None] + up @ rng.uniform(-0.1, 0.1, (3, 3))
    if plan.vibration_g or plan.vibration_dps:
        for array, size in ((accel, plan.vibration_g), (gyro, plan.vibration_dps)):
            phase = plan.vibration_hz * t[:, None] + rng.uniform(size=3)
            array[:] += size * np.sin(2 * np.pi * phase)
    for at in plan.knocks_s:
        since = t - at
        on = (since >= 0.0) & (since < plan.knock_length_s)
        shape = np.exp(-since[on] / (plan.knock_length_s / 3.0))
        direction = rng.normal(size=3)
        ring = shape * np.sin(2 * np.pi * 14.0 * since[on]) + 0.3 * shape
        accel[on] += plan.knock_g * ring[:, None] * direction
        gyro[on] += 20.0 * plan.knock_g * ring[:, None] * rng.normal(size=3)
    nyquist = np.sqrt(plan.rate_hz / 2.0)
    accel = accel + rng.normal(size=accel.shape) * ACCEL_DENSITY_G * plan.noise * nyquist
    gyro = gyro + rng.normal(size=gyro.shape) * GYRO_DENSITY_DPS * plan.noise * nyquist
    accel = np.round(accel / plan.accel_step_g) * plan.accel_step_g
    gyro = np.round(gyro / plan.gyro_step_dps) * plan.gyro_step_dps
    truths = [
        _truth(span, rate_dps, t, aimed, up)
        for span, rate_dps in zip(spans, plan.drift_dps, strict=True)
    ]
    for at, _ in plan.slips:
        truths = [piece for truth in truths for piece in _split(truth, at, t, up)]
    first = 0
    if plan.start_moving:
        first = int(np.searchsorted(t, spans[0][2] + 0.4 * plan.move_s[0]))
        truths = truths[1:]
    block = Block(
        t_s=t[first:],
        accel_g=accel[first:],
        gyro_dps=gyro[first:] if plan.has_gyro else None,
        temp_c=None,
        linear_mm=None,
        lost_before=np.zeros(len(t) - first, dtype=np.int64),
        stretch=np.zeros(len(t) - first, dtype=np.int64),
        clipped=np.zeros(len(t) - first, dtype=np.bool_),
        rate_hz=plan.rate_hz,
    )
    return block, truths


def _truth(
    span: tuple[float, float, float, float],
    drift: float,
    t: np.ndarray,
    theta: np.ndarray,
    up: np.ndarray,
) -> Truth:
    begin, start, end, _ = span
    inside = np.flatnonzero((t >= begin) & (t < end))
    final = float(theta[inside[-1]])
    far = np.flatnonzero(np.abs(theta[inside] - final) > 0.1)
    settled = float(t[inside[far[-1] + 1]]) if far.size else begin
    late = inside[t[inside] > settled]
    return Truth(settled, start, end, final, drift, up[late].mean(axis=0))


def _split(truth: Truth, at: float, t: np.ndarray, up: np.ndarray) -> list[Truth]:
    """Two rests where the mount gave way during one."""
    if not truth.settled_s < at < truth.end_s:
        return [truth]
    before = (t > truth.settled_s) & (t < at)
    after = (t >= at) & (t < truth.end_s)
    return [
        replace(truth, end_s=at, up=up[before].mean(axis=0)),
        replace(truth, settled_s=at, start_s=at, up=up[after].mean(axis=0)),
    ]


def random_plan(seed: int, **fixed: object) -> Plan:
    """Draw a sweep: in, out and back to straight, with everything a driver does."""
    rng = np.random.default_rng([seed, 77])
    lock = rng.uniform(12.0, 25.0)
    side = rng.choice([-1.0, 1.0])
    targets = [0.0, side * lock, -side * rng.uniform(12.0, 25.0), 0.0]
    if rng.uniform() < 0.4:
        targets = [0.0, side * lock * 0.5, side * lock, 0.0, -side * lock, 0.0]
    n = len(targets)
    drift = rng.choice([0.0, 0.0, 0.005, 0.01], size=n) * rng.choice([-1.0, 1.0], size=n)
    creep = rng.choice([0.0, 1.0], size=n - 1) * rng.uniform(0.1, 0.6, size=n - 1)
    if rng.uniform() < 0.3:
        drift[rng.integers(0, n)] = rng.choice([-1.0, 1.0]) * rng.uniform(0.1, 0.5)
    over = rng.choice([0.0, 0.0, 1.0], size=n - 1) * rng.uniform(0.3, 2.0, size=n - 1)
    tau = rng.uniform(0.3, 1.5, size=n - 1)
    rest_s = rng.uniform(2.0, 8.0, size=n)
    rest_s[1:] += np.where(creep > 0.1, tau * np.log(np.maximum(creep, 0.1) / 0.1), 0.0)
    plan = Plan(
        rate_hz=float(rng.choice([50.0, 100.0, 200.0])),
        noise=float(np.exp(rng.uniform(np.log(0.25), np.log(3.0)))),
        caster_deg=float(rng.uniform(-1.0, 9.0)),
        sai_deg=float(rng.uniform(8.0, 15.0)),
        targets_deg=tuple(targets),
        rest_s=tuple(rest_s),
        move_s=tuple(rng.uniform(1.5, 6.0, size=n - 1)),
        drift_dps=tuple(drift),
        creep_deg=tuple(creep),
        creep_tau_s=tuple(tau),
        overshoot_deg=tuple(over),
        tremor_deg=float(rng.uniform(0.0, 0.06)),
        knock_g=float(np.exp(rng.uniform(np.log(0.03), np.log(0.3)))),
        knock_length_s=float(rng.uniform(0.1, 0.5)),
        bias_dps=tuple(rng.uniform(-20.0, 20.0, size=3)),
        bias_drift_dps_per_s=float(rng.uniform(-1e-4, 1e-4)),
        seed=seed,
    )
    total = sum(plan.rest_s) + sum(plan.move_s)
    knocks = np.sort(rng.uniform(0.0, total, size=rng.poisson(2.0)))
    plan = replace(
        plan, knocks_s=tuple(k for i, k in enumerate(knocks) if i == 0 or k - knocks[i - 1] > 1.5)
    )
    if rng.uniform() < 0.15:
        slip = (float(rng.uniform(0.0, total)), float(rng.uniform(0.3, 3.0)))
        plan = replace(plan, slips=(slip,))
    return replace(plan, **fixed)  # type: ignore[arg-type]  # fields of Plan
