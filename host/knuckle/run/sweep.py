"""Caster, steering-axis inclination and camber of one wheel from a steering sweep."""

from __future__ import annotations

from knuckle.errors import MeasurementRefused
from knuckle.links.contract import Link
from knuckle.model.wheel import Wheel
from knuckle.run.guide_sweep import SweepGuide
from knuckle.run.measurement import Measurement, Task
from knuckle.run.view import View
from knuckle.store.database import Store


def check_steered(wheel: Wheel, rear_steers: bool) -> None:
    """Refuse a wheel that does not steer, before anything is opened.

    Raises
    ------
    MeasurementRefused
        REAR_WHEEL.
    """
    if wheel.is_front or rear_steers:
        return
    raise MeasurementRefused(
        "REAR_WHEEL",
        f"The {wheel.spoken} wheel does not steer, so it has no sweep.",
        "Caster and steering-axis inclination belong to a steered wheel.",
        "Measure its camber, or say --rear-steers if this car steers its rear wheels.",
    )


def sweep_measurement(task: Task, link: Link, view: View, store: Store) -> Measurement:
    """Return the measurement, not yet begun.

    Raises
    ------
    MeasurementRefused
        REAR_WHEEL.
    """
    wheel = task.request.wheel
    check_steered(wheel, task.request.rear_steers)
    return Measurement(
        task,
        link,
        SweepGuide(wheel, task.request.plates_deg),
        view,
        store,
        wheel_now=lambda: wheel,
        stream_wheel=wheel,
    )
