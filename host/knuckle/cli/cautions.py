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
SPIN_LIFTED: Final = (
    "Before you start (docs/safety.md has it all):",
    " - car on a level, firm floor; wheels that stay down chocked, engine off,",
    "   neutral, steering straight and locked;",
    " - lifted at the maker's points, and down on JACK STANDS: never on a jack alone;",
    "   rock the car gently before you go near it; nobody under it or in it;",
    " - turn the wheel from outside by the tyre; hands, hair, sleeves clear of pod,",
    "   brake and arch; stop at once if the car moves;",
    " - a driven wheel turns its twin. Local rules come first; if you are not sure,",
    "   ask a qualified person.",
)
SPIN_ROLLED: Final = (
    "Before you start (docs/safety.md has it all):",
    " - level floor, engine off, neutral, steering straight and held; somebody at the",
    "   brake; push from the side by the body, nobody in front, behind or under;",
    " - chock a wheel at every stop; mind the pod as it comes round to the floor.",
)
RAISED: Final = (
    "Before you start (docs/safety.md has it all):",
    " - raised car: on wide, firm pads or ramps made for it; never under a car on a",
    "   jack, never reaching behind a wheel; wheels chocked, engine off, key out;",
    " - local rules come first; if you are not sure, ask a qualified person.",
)
ADJUST: Final = (
    "Before you adjust (docs/safety.md has it all):",
    " - a raised car stands on JACK STANDS, at the maker's points; rock it gently",
    "   before you go near; hands clear of wheels, arms and springs that can move;",
    " - bolts, lock nuts and torques are the car maker's; keep thread engaged.",
)
TRAVEL: Final = (
    "Before you start (docs/safety.md has it all):",
    " - spring out or free as the car maker allows; the body on JACK STANDS at the",
    "   maker's points, other wheels chocked; the jack moves the wheel alone;",
    " - nobody under the car, no hand behind the wheel or between tyre and arch",
    "   while the jack moves; let it come to rest before you read;",
    " - a compressed spring holds force: leave it to qualified people. Local rules",
    "   come first.",
)
TEST_DRIVE: Final = (
    "Before the test drive:",
    " - lock nuts, bolts and wheel nuts at the maker's torque; nothing left in the",
    "   wheel wells; steering free from lock to lock, and its wheel straight;",
    " - first slowly where nobody is; brakes first; stop if anything pulls or knocks;",
    " - brakes and steering are worth a qualified person's look.",
)
REVERSAL: Final = (
    "Any flat, firm surface will do; it need not be level. Wipe it and the pod.",
    "Turn the pod end for end on the same spot, against the same edge.",
)
CALIBRATE: Final = (
    "Turn the pod to a new pose, keep still until you hear it taken, turn it on: in",
    "any order, nothing need be level. Fifteen to twenty poses all round; then its",
    "mounting face to a wall or anything flat and upright, in four quarter turns.",
    "Leave it lying for 20 s to end a part early. Mind the cable; do not drop it.",
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
