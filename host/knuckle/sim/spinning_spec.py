"""What a scenario says of a wheel that is turned by hand, and of a pod turned end for end."""

from __future__ import annotations

from dataclasses import dataclass

from knuckle.sim.fields import key


@dataclass(frozen=True, slots=True)
class Spinning:
    """How a wheel is turned in its bearing (spin), and a pod on a bench (reversal)."""

    stops: int = key(
        8, "Equal parts of a full turn, with a stop after each; 0: one slow turn.", low=0, high=36
    )
    turn_s: float = key(24.0, "How long a slow turn without stops takes.", low=2, high=600)
    arc_deg: float = key(360.0, "How far the wheel is turned.", low=5, high=1080)
    scatter_deg: float = key(6.0, "Scatter of the stops.", low=0, high=40)
    seats: int = key(1, "How often the pod is seated on the rim.", low=1, high=12)
    clock_deg: float = key(120.0, "By how much it is turned on the rim each time.", low=0, high=360)
    reseat_deg: float = key(0.02, "How alike it sits again, each way, one sigma.", low=0, high=5)
    radius_m: float = key(0.06, "Accelerometer from the spin axis.", low=0, high=0.5)
    tremor_deg: float = key(0.004, "Unrest of the car's lean meanwhile, rms.", low=0, high=2)
    rock_deg: float = key(0.0, "The car rocks on its stands meanwhile, rms.", low=0, high=5)
    sink_deg: float = key(0.0, "The car leans over by so much in a minute.", low=-5, high=5)
    placings: int = key(2, "How often the pod is laid down (reversal).", low=1, high=100)
    slope_deg: tuple[float, float] = key(
        (0.8, -0.5),
        "Slope of the bench along X and Y of the pod as it lies first.",
        low=-20,
        high=20,
    )
    half_turn_deg: float = key(1.0, "How far a half turn is off, one sigma.", low=0, high=30)
    seating_deg: float = key(0.01, "How alike it lies again, each way, one sigma.", low=0, high=5)
    square_deg: float = key(
        0.0, "The base out of square to the mounting face, about X.", low=-5, high=5
    )
    same_way_at: int = key(
        0, "The placing, from 1, at which it is laid down without a half turn.", low=0, high=100
    )
