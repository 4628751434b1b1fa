"""Drift with temperature, from the calibrations of a pod that the store keeps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from knuckle.calibrate.drift import LEAST_APART_C, fit_drift
from knuckle.estimate.calibration import Calibration
from knuckle.estimate.data_sheets import Parts, accelerometer_sheet
from knuckle.run.calibration_json import Made, of_record
from knuckle.run.calibrations import kept_of
from knuckle.store.rows import CalibrationRow


def with_drift(made: Made, rows: Sequence[CalibrationRow], parts: Parts) -> tuple[Made, int | None]:
    """Return a new calibration with its drift, by the one farthest from it in temperature.

    Parameters
    ----------
    made : Made
    rows : sequence of CalibrationRow
        Those that the store keeps.
    parts : Parts
        The pod's sensors.

    Returns
    -------
    Made
        As it was, if none of this pod lies far enough.
    int or None
        The number of the other calibration.

    Raises
    ------
    StoreError
        If a kept one cannot be read.
    """
    new = made.calibration
    if not new.identity or new.temp_c is None:
        return made, None
    best: Calibration | None = None
    number, least_c = None, LEAST_APART_C
    for row in kept_of(rows):
        if row.identity != new.identity:
            continue
        old = of_record(row.record).calibration
        if old.temp_c is None or old.identity != new.identity:
            continue
        if abs(old.temp_c - new.temp_c) >= least_c:
            best, number, least_c = old, row.calibration_id, abs(old.temp_c - new.temp_c)
    if best is None:
        return made, None
    drift = fit_drift(best, new, accelerometer_sheet(parts.accelerometer))
    return replace(made, calibration=replace(new, drift=drift)), number
