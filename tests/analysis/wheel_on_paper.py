"""An independent generator of recordings, by scipy rotations, sharing no code with the package.

Vehicle axes as in ISO 8855:2011 (X forward, Y left, Z up). Readings are what a pod of the given
errors would log; noise figures are the MPU-6050's (data sheet rev 3.3).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation


@dataclass
class Wheel:
    """Truth of one wheel and its pod, deg; positive as in ISO 8855 and common practice."""

    name: str = "LF"
    caster: float = 5.0
    sai: float = 12.0
    camber: float = -1.5
    toe: float = 0.0
    pads_across: float = 0.0
    pads_along: float = 0.0
    mount_yaw: float = 0.0
    mount_tilt: float = 0.0
    pitch: float = 0.0
    bias_g: np.ndarray = field(default_factory=lambda: np.zeros(3))
    matrix: np.ndarray = field(default_factory=lambda: np.eye(3))
    gyro_matrix: np.ndarray = field(default_factory=lambda: np.eye(3))
    gyro_bias: np.ndarray = field(default_factory=lambda: np.array([1.2, -0.7, 0.4]))
    has_gyro: bool = True
    noise: float = 1.0
    rate_hz: float = 100.0
    roll_per_steer: float = 0.0
    roll_at_rest: float = 0.0
    slip_after_s: float | None = None
    slip_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    drift_dps: float = 0.0
    drift_between_s: tuple[float, float] = (0.0, 1e9)
    body_roll_per_steer: float = 0.0
    body_roll_even: float = 0.0


def _frame(first, up):
    up = up - first * (first @ up)
    up = up / np.linalg.norm(up)
    return np.stack([np.cross(first, up), first, up], axis=1)


def sweep_steer(rng, stops=(0, 20, 0, -20, 0), hold_s=3.5, move_s=2.5, rate_hz=100.0):
    """Steer (deg about the axis) over time, minimum-jerk moves, and the scripted rests."""
    steer, rests, at = [], [], 0.0
    for k, stop in enumerate(stops):
        if k:
            start, duration = stops[k - 1], move_s * rng.uniform(0.8, 1.3)
            n = int(duration * rate_hz)
            tau = np.arange(n) / n
            shape = 10 * tau**3 - 15 * tau**4 + 6 * tau**5
            steer.append(start + (stop - start) * shape)
            at += n / rate_hz
        n = int(hold_s * rng.uniform(0.8, 1.3) * rate_hz)
        steer.append(np.full(n, float(stop)))
        rests.append((at, at + n / rate_hz, float(stop)))
        at += n / rate_hz
    return np.concatenate(steer), rests


def heading_of(wheel, theta_deg):
    """Return the change of heading (deg, left positive) of a wheel turned about its axis."""
    q = 1 if wheel.name[0] == "L" else -1
    d = np.radians
    axis = np.array([-np.tan(d(wheel.caster)), -q * np.tan(d(wheel.sai)), 1.0])
    axis /= np.linalg.norm(axis)
    toe, camber = d(wheel.toe), d(wheel.camber)
    spin = np.array(
        [np.sin(toe) * np.cos(camber), q * np.cos(toe) * np.cos(camber), -np.sin(camber)]
    )
    turned = Rotation.from_rotvec(d(theta_deg) * axis).apply(spin)
    before, after = (np.arctan2(q * v[1], q * v[0]) for v in (spin, turned))
    return float(np.degrees((after - before + np.pi) % (2 * np.pi) - np.pi))


def record(wheel, steer_deg, rng, knocks=()):
    """Return a dict of columns: t_s, ax_g .. gz_dps, as the pod would log them."""
    q = 1 if wheel.name[0] == "L" else -1
    d = np.radians
    t = np.arange(steer_deg.size) / wheel.rate_hz
    begin, end = wheel.drift_between_s
    steer_deg = steer_deg + wheel.drift_dps * (np.clip(t, begin, end) - begin)
    axis = np.array([-np.tan(d(wheel.caster)), -q * np.tan(d(wheel.sai)), 1.0])
    axis /= np.linalg.norm(axis)
    spin = np.array(
        [
            np.sin(d(wheel.toe)) * np.cos(d(wheel.camber)),
            q * np.cos(d(wheel.toe)) * np.cos(d(wheel.camber)),
            -np.sin(d(wheel.camber)),
        ]
    )
    up = np.array([np.tan(d(wheel.pads_along)), np.tan(d(wheel.pads_across)), 1.0])
    up /= np.linalg.norm(up)
    spin_pod = np.array([np.tan(d(wheel.mount_yaw)), 1.0, np.tan(d(wheel.mount_tilt))])
    spin_pod /= np.linalg.norm(spin_pod)
    z = np.array([0.0, 0.0, 1.0])
    seat = _frame(spin, z) @ _frame(spin_pod, z).T
    seat = Rotation.from_matrix(seat) * Rotation.from_rotvec(spin_pod * d(wheel.pitch))
    roll = wheel.roll_per_steer * steer_deg
    if wheel.roll_at_rest:
        levels, index = np.unique(np.round(steer_deg, 3), return_inverse=True)
        roll = roll + rng.normal(0.0, wheel.roll_at_rest, levels.size)[index]
        width = max(1, int(0.4 * wheel.rate_hz))
        roll = np.convolve(np.pad(roll, width, mode="edge"), np.ones(width) / width, "same")
        roll = roll[width:-width]
    body_roll = wheel.body_roll_per_steer * steer_deg + wheel.body_roll_even * np.abs(steer_deg)
    body = Rotation.from_rotvec(np.outer(d(body_roll), [1.0, 0, 0]))
    pose = (
        body
        * Rotation.from_rotvec(np.outer(d(steer_deg), axis))
        * seat
        * Rotation.from_rotvec(np.outer(d(roll), spin_pod))
    )
    if wheel.slip_after_s is not None:
        share = np.clip((t - wheel.slip_after_s) / 0.3, 0.0, 1.0)
        pose = pose * Rotation.from_rotvec(np.outer(share, d(np.array(wheel.slip_deg))))
    rate_deg = np.degrees((pose[:-1].inv() * pose[1:]).as_rotvec()) * wheel.rate_hz
    rate_deg = np.vstack([rate_deg, rate_deg[-1:]])
    force = pose.inv().apply(up)
    lever = pose.inv().apply(axis) * 0.0 + np.array([0.0, 0.3, 0.0])
    w = np.radians(rate_deg)
    force = force + np.cross(w, np.cross(w, lever)) / 9.80665
    for at_s in knocks:
        i = int(at_s * wheel.rate_hz)
        n = int(0.12 * wheel.rate_hz)
        force[i : i + n] += rng.normal(0.0, 0.05, (n, 3))
        rate_deg[i : i + n] += rng.normal(0.0, 3.0, (n, 3))
    accel_sd = wheel.noise * 400e-6 * np.sqrt(wheel.rate_hz / 2)
    gyro_sd = wheel.noise * 0.005 * np.sqrt(wheel.rate_hz / 2)
    accel = force @ wheel.matrix.T + wheel.bias_g + rng.normal(0, accel_sd, force.shape)
    gyro = rate_deg @ wheel.gyro_matrix.T + wheel.gyro_bias + rng.normal(0, gyro_sd, force.shape)
    columns = {"t_s": t, "ax_g": accel[:, 0], "ay_g": accel[:, 1], "az_g": accel[:, 2]}
    if wheel.has_gyro:
        columns |= {"gx_dps": gyro[:, 0], "gy_dps": gyro[:, 1], "gz_dps": gyro[:, 2]}
    return columns


def drawn(rng, **fixed):
    """Draw a wheel from the stated priors of docs/measurement.md."""
    phi = d_phi = np.radians(rng.normal(0, 0.05, 3))
    skew = np.array([[0, -phi[2], phi[1]], [phi[2], 0, -phi[0]], [-d_phi[1], phi[0], 0]])
    cross = rng.normal(0, 1e-3, (3, 3))
    gyro = rng.normal(0, 0.02, (3, 3))
    np.fill_diagonal(gyro, rng.normal(0, 0.03, 3))
    values = {
        "name": str(rng.choice(["LF", "RF"])),
        "caster": rng.uniform(-2, 9),
        "sai": rng.uniform(5, 16),
        "camber": rng.uniform(-4, 1),
        "toe": rng.normal(0, 0.3),
        "pads_across": rng.normal(0, 0.1),
        "pads_along": rng.normal(0, 0.1),
        "mount_yaw": rng.normal(0, 0.5),
        "mount_tilt": rng.normal(0, 0.2),
        "pitch": rng.uniform(-15, 15),
        "bias_g": rng.normal(0, 1e-3, 3),
        "matrix": np.eye(3) + cross + skew,
        "gyro_matrix": np.eye(3) + gyro + skew,
        "gyro_bias": rng.uniform(-10, 10, 3),
        "roll_at_rest": 0.05,
    }
    return Wheel(**(values | fixed))


def write_csv(path, columns, facts=()):
    """Write the log with its header line."""
    with path.open("w", encoding="utf-8") as file:
        file.writelines(f"# {key}={value}\n" for key, value in facts)
        file.write(",".join(columns) + "\n")
        np.savetxt(file, np.stack(list(columns.values()), axis=1), fmt="%.6f", delimiter=",")
