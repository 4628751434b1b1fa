"""What is said once before anybody goes near a wheel; docs/safety.md has it all."""

from __future__ import annotations

from typing import Final

CAMBER: Final = (
    "Before you start (docs/safety.md has it all):",
    " - wheels chocked, engine off; nobody under a raised car;",
    " - the car rolled a little and settled on its springs, on level pads.",
)
SWEEP: Final = (
    "Before you start (docs/safety.md has it all):",
    " - raised car: on wide, firm pads; nobody under it or reaching behind a wheel;",
    " - slip plates free, rear wheels chocked, neutral, engine off, column unlocked;",
    " - hold the FOOT BRAKE until it is finished: a parking brake does not hold front",
    "   wheels. Turn slowly; stop if anything shifts.",
)
TOE: Final = (
    "Before you start (docs/safety.md has it all):",
    " - wheels chocked, engine off, key out; the car on its wheels, never on a jack;",
    " - nobody touches the steering while hands are at a wheel; no hand between tyre",
    "   and arch or behind the wheel: touch the rim's outer edge from outside;",
    " - the car rolled a little and settled; wheels straight ahead, wheel nuts tight;",
    " - the string in sight, marked, so that nobody trips over it.",
)
LENGTHS: Final = (
    "Set each known length in the order of the command, and let go: nothing to press.",
    "Mind your fingers between the jaws and blocks; caliper tips are sharp.",
)


def seat_line(seat: str) -> str:
    """Return the line that tells where the driver is, and how to say otherwise."""
    if seat == "in":
        return "Recorded: somebody sits in the driver's seat."
    return "Recorded: nobody in the driver's seat (--driver in says otherwise)."
