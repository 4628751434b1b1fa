"""Caster, steering-axis inclination and camber of one wheel from a steering sweep."""

from __future__ import annotations

from knuckle.analysis.sweep import check_steered
from knuckle.links.contract import Link
from knuckle.run.calibrations import calibrations_of
from knuckle.run.guide_sweep import SweepGuide
from knuckle.run.linear_calibrations import newest, telling
from knuckle.run.measurement import Measurement
from knuckle.run.method_rests import RestsMethod, Task
from knuckle.run.noise_kept import floors_of, library_of
from knuckle.run.view import View
from knuckle.run.zeros import zeros_of
from knuckle.store.database import Store


def sweep_measurement(task: Task, link: Link, view: View, store: Store) -> Measurement:
    """Return the measurement, not yet begun.

    Raises
    ------
    MeasurementRefused
        REAR_WHEEL.
    """
    wheel = task.request.wheel
    kept = store.calibrations()
    floors = library_of(store)
    method = RestsMethod(
        task,
        library=telling(lambda identity, channel: newest(kept, identity, channel), view.say),
        floors=floors,
        calibrations=calibrations_of(kept),
        now=lambda: link.clock.utc(link.clock.now_s()),
        say=view.say,
        zeros=zeros_of(store),
    )
    check_steered(wheel, task.request.rear_steers)
    return Measurement(
        method,
        link,
        SweepGuide(wheel, task.request.plates_deg, lambda: method.linear),
        view,
        store,
        wheel_now=lambda: wheel,
        stream_wheel=wheel,
        floors_of=floors_of(floors),
    )
