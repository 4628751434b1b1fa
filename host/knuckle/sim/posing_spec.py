"""What a scenario says of the person who calibrates a pod: its poses, face run and turn.

See `spec` for how keys are declared.
"""

from __future__ import annotations

from dataclasses import dataclass

from knuckle.sim.fields import key


@dataclass(frozen=True, slots=True)
class Posing:
    """How the pod is held for a calibration, and how well."""

    poses: int = key(
        16, "Poses before the face run; once cues have been heard, until told.", low=1, high=500
    )
    most_poses: int = key(40, "Poses after which a person who heeds cues tires.", low=1, high=500)
    order: tuple[int, ...] = key(
        (),
        "Directions by number, in order: 0 to 5 faces up (+X -X +Y -Y +Z -Z), 6 to 13 corners, 14 "
        "to 25 edges. Empty: all of them, in a drawn order, faces first.",
        low=0,
        high=25,
    )
    scatter_deg: float = key(10.0, "How far a pose is off that direction, drawn.", low=0, high=60)
    hold_s: tuple[float, float] = key(
        (1.6, 2.4), "Shortest and longest hold when no cue comes.", low=0.1, high=600
    )
    move_s: tuple[float, float] = key(
        (1.2, 2.2), "Shortest and longest turn from pose to pose.", low=0.3, high=60
    )
    tremor_mg: tuple[float, float] = key(
        (5.0, 20.0), "Tremor of a held pose, rms of all axes, drawn for each.", low=0, high=500
    )
    tremor_hz: tuple[float, float] = key((4.0, 12.0), "Its lowest and highest frequency.", low=0.1)
    swing_deg: float = key(0.02, "Turning to and fro with it, rms of each axis.", low=0, high=5)
    sway_mg: float = key(
        0.7, "Acceleration that stays in a pose's mean, one sigma, each axis.", low=0, high=100
    )
    drift_deg: float = key(
        5.0, "Most by which a pose drifts in 1.5 s, drawn even from none to it.", low=0, high=30
    )
    tires: bool = key(
        False, "Lays the pod down after `poses` poses, and leaves it: ends the part early."
    )
    face: bool = key(True, "Whether the face run follows.")
    lean_deg: float = key(1.0, "Upright surface out of plumb, one sigma.", low=0, high=20)
    flush_deg: float = key(
        0.01, "How far the face is off the surface, each turn, one sigma.", low=0, high=5
    )
    quarter_deg: float = key(5.0, "Scatter of the quarter turns.", low=0, high=40)
    turn: bool = key(False, "Whether a full turn on a flat surface follows.")
    turn_s: float = key(9.0, "How long the full turn takes.", low=2, high=120)
    slope_deg: float = key(0.5, "Slope of the flat surface, one sigma, each way.", low=0, high=10)
    align_deg: float = key(0.3, "How far the turn ends from its mark, one sigma.", low=0, high=20)
    drop_at: tuple[int, ...] = key(
        (), "Poses, from 1, on the way to which the pod is dropped.", low=1, high=500
    )
    drop_g: float = key(9.0, "Its knock.", low=0, high=100)
    unsteady_at: tuple[int, ...] = key(
        (), "Poses, from 1, in which something pushes steadily (a lift, a car).", low=1, high=500
    )
    unsteady_mg: float = key(25.0, "Its push, along gravity.", low=0, high=1000)
