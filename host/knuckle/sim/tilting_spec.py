"""What a scenario says of the person who holds a pod against a protractor.

See `spec` for how keys are declared.
"""

from __future__ import annotations

from dataclasses import dataclass

from knuckle.sim.fields import key


@dataclass(frozen=True, slots=True)
class Tilting:
    """A plate that is tilted, the pod on it, and a protractor beside it."""

    angles_deg: tuple[float, ...] = key(
        (-5.0, 0.0, 5.0), "Angle that each step sets, about.", low=-45, high=45
    )
    actions: tuple[int, ...] = key(
        (),
        "What each step does: 0 sets the angle and puts the pod on anew, 1 sets the angle under "
        "the pod, 2 puts the pod on anew, 3 puts it on turned end for end. Missing ones are 0.",
        low=0,
        high=3,
    )
    slack_deg: float = key(0.2, "How far the plate is off the angle wanted, one sigma.", low=0)
    zero_deg: float = key(0.0, "The protractor's zero.", low=-5, high=5)
    zero_sigma_deg: float = key(0.03, "Drawn on top of it.", low=0, high=5)
    scale_sigma: float = key(0.002, "The protractor's scale error, drawn.", low=0, high=0.2)
    reading_sigma_deg: float = key(0.02, "Reading error, drawn each time.", low=0, high=5)
    resolution_deg: float = key(0.05, "Steps in which it is read off.", low=0, high=10)
    bar_mm: float = key(
        0.0, "Length of a sine bar whose stacks are typed in place of an angle; 0: none.", low=0
    )
    seat_sigma_deg: float = key(
        0.02, "How the pod sits differently each time it is put on, each axis.", low=0, high=5
    )
    hold_s: tuple[float, float] = key(
        (4.0, 5.0), "Shortest and longest wait when no cue comes.", low=0.1, high=600
    )
    typo_at: tuple[int, ...] = key(
        (), "Readings, from 1, that are first typed with a letter for a digit.", low=1, high=500
    )
    drop_at: tuple[int, ...] = key(
        (), "Steps, from 1, before which the pod is dropped on the table.", low=1, high=500
    )
