"""A wheel-turn run, and a reversal: live, with their guides."""

from __future__ import annotations

from knuckle.links.contract import Link
from knuckle.run.calibrations import calibrations_of
from knuckle.run.guide_reversal import ReversalGuide
from knuckle.run.guide_spin import SpinGuide
from knuckle.run.measurement import Measurement
from knuckle.run.method_rests import RestsMethod, Task
from knuckle.run.noise_kept import floors_of, library_of
from knuckle.run.view import View
from knuckle.store.database import Store


def spin_measurement(
    task: Task, link: Link, view: View, store: Store, *, seats: int = 1, rolled: bool = False
) -> Measurement:
    """Return a wheel-turn run, not yet begun.

    Parameters
    ----------
    task : Task
    link : Link
    view : View
    store : Store
    seats : int
        How often the pod is seated on the rim.
    rolled : bool
        Whether the car is rolled.
    """
    return _measurement(task, link, view, store, SpinGuide(seats, rolled))


def reversal_measurement(
    task: Task, link: Link, view: View, store: Store, *, readings: int = 2
) -> Measurement:
    """Return a reversal, not yet begun.

    Parameters
    ----------
    task : Task
    link : Link
    view : View
    store : Store
    readings : int
        At least two.
    """
    return _measurement(task, link, view, store, ReversalGuide(readings))


def _measurement(
    task: Task, link: Link, view: View, store: Store, guide: SpinGuide | ReversalGuide
) -> Measurement:
    wheel = task.request.wheel
    floors = library_of(store)
    method = RestsMethod(
        task,
        floors=floors,
        calibrations=calibrations_of(store.calibrations()),
        now=lambda: link.clock.utc(link.clock.now_s()),
        say=view.say,
        seats=lambda: guide.seats,
    )
    return Measurement(
        method,
        link,
        guide,
        view,
        store,
        wheel_now=lambda: wheel,
        stream_wheel=wheel if task.measure == "spin" else None,
        floors_of=floors_of(floors),
    )
