"""A simulated car for the examples: what their sensor reads, and what calibrates it."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from knuckle.estimate.calibration import Calibration
from knuckle.run.calibration_json import to_json
from knuckle.run.calibrations import of_settings
from knuckle.sim.rig import Rig
from knuckle.sim.scenario import load
from knuckle.sim.settings import SettingsMemory

READING_S = 0.005


@dataclass(frozen=True)
class OnCar:
    """One wheel of the simulated garage.

    Attributes
    ----------
    rows : list of str
        The data registers of an MPU-6050 every 5 ms until the script ends, as hexadecimal.
    calibration : Calibration
        Of that very chip, as good as the scenario says.
    truth : dict
        Degrees.
    """

    rows: list[str]
    calibration: Calibration
    truth: dict[str, float]


def on_car(purpose: str, seed: int) -> OnCar:
    rig = Rig(load("garage", wheel="LF", purpose=purpose, seed=seed), seed)
    rig.person.plan_until(600.0)
    t_s = np.arange(0.0, rig.person.end_s, READING_S)
    counts = rig.raw(t_s, READING_S)[:, [0, 1, 2, 6, 3, 4, 5]]  # in the registers' order
    made = rig.truth()
    truth = {"camber": made.wheel.camber_deg, "steering_axis_inclination": made.wheel.sai_deg}
    truth["caster"] = made.caster_as_swept_deg  # the body rolls as the wheels steer
    rows = [row.tobytes().hex() for row in counts.astype(">i2")]
    return OnCar(rows, calibration_of(rig), truth)


def calibration_of(rig: Rig) -> Calibration:
    calibration = of_settings(SettingsMemory(rig.case).record)
    assert calibration is not None
    return calibration


def write_calibration(calibration: Calibration, pod_id: str, folder: Path) -> Path:
    """Write it as the calibration of the pod that calls itself `pod_id`."""
    path = folder / "calibration.json"
    record = to_json(replace(calibration, identity=pod_id))
    path.write_text(json.dumps(record), encoding="utf-8")
    return path
