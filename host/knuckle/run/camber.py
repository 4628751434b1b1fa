"""Camber of one wheel, or of several with one pod carried round the car.

A walk round the car is one run with one stream: its raw bytes stay whole. Each wheel's
stretch is noted in the run's facts (`parts`), and each wheel has its own result.
"""

from __future__ import annotations

from collections.abc import Sequence

from knuckle.links.contract import Link
from knuckle.model.wheel import Wheel
from knuckle.run.calibrations import calibrations_of
from knuckle.run.guide_camber import CamberGuide
from knuckle.run.measurement import Measurement
from knuckle.run.method_rests import RestsMethod, Task
from knuckle.run.noise_kept import floors_of, library_of
from knuckle.run.view import View
from knuckle.run.zeros import zeros_of
from knuckle.store.database import Store


def camber_measurement(
    task: Task, order: Sequence[Wheel], link: Link, view: View, store: Store
) -> Measurement:
    """Return the measurement, not yet begun.

    Parameters
    ----------
    order : sequence of Wheel
        At least one; the pod is carried from each to the next.
    """
    guide = CamberGuide(order)
    floors = library_of(store)
    return Measurement(
        RestsMethod(
            task,
            lambda: guide.parts,
            floors=floors,
            calibrations=calibrations_of(store.calibrations()),
            now=lambda: link.clock.utc(link.clock.now_s()),
            say=view.say,
            zeros=zeros_of(store),
        ),
        link,
        guide,
        view,
        store,
        wheel_now=lambda: guide.wheel,
        stream_wheel=order[0] if len(order) == 1 else None,
        floors_of=floors_of(floors),
    )
