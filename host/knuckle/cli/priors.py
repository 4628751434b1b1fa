"""The options that change what is known beforehand; shared by every measuring command."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from knuckle.errors import UsageError
from knuckle.quantities import angle_deg, one_or_two, percentage, plain_number

if TYPE_CHECKING:
    from knuckle.estimate.priors import Given, Priors

TOE_GIVEN_U_DEG = 0.05
PADS_GIVEN_U_DEG = 0.02
BODY_ROLL_GIVEN_U_DEG = 0.05

_PANEL = "What is known beforehand (one sigma)"


def _option(name: str, text: str, metavar: str) -> typer.models.OptionInfo:
    info: typer.models.OptionInfo = typer.Option(
        name, help=text, metavar=metavar, rich_help_panel=_PANEL, show_default=False
    )
    return info


Toe = Annotated[
    str | None, _option("--toe", "Toe of this wheel, toe-in positive [0,0.3].", "DEG[,U]")
]
Brake = Annotated[str, _option("--brake", "on: held, and checked; off: free [on].", "on|off")]
MountTilt = Annotated[
    str | None, _option("--mount-tilt", "Spin axis against the pod, tilt [0.2].", "DEG")
]
MountYaw = Annotated[
    str | None, _option("--mount-yaw", "Spin axis against the pod, yaw [0.5].", "DEG")
]
Roll = Annotated[str | None, _option("--roll", "Roll of a wheel held by the brake [0.05].", "DEG")]
RollFree = Annotated[
    str | None, _option("--roll-free", "Roll of a wheel whose brake is free [30].", "DEG")
]
PadsAcross = Annotated[
    str | None, _option("--pads-across", "Pads, left side higher [0,0.1].", "DEG[,U]")
]
PadsAlong = Annotated[str | None, _option("--pads-along", "Pads, front higher [0,0.1].", "DEG[,U]")]
PlatesU = Annotated[str | None, _option("--plates-u", "Reading of turn plates [0.3].", "DEG")]
GyroTurnU = Annotated[
    str | None, _option("--gyro-turn-u", "Turn by gyro between rests [0.05].", "DEG")
]
GyroScale = Annotated[str | None, _option("--gyro-scale", "Gyro scale [3].", "PERCENT")]
GyroCross = Annotated[str | None, _option("--gyro-cross", "Gyro cross-axis [2].", "PERCENT")]
AccelBias = Annotated[str | None, _option("--accel-bias", "Accelerometer bias [1].", "MG")]
AccelScale = Annotated[
    str | None, _option("--accel-scale", "Accelerometer scale [0.1].", "PERCENT")
]
AccelCross = Annotated[
    str | None, _option("--accel-cross", "Accelerometer cross-axis [0.1].", "PERCENT")
]
ChipTurn = Annotated[
    str | None, _option("--chip-turn", "Turn of the chip in its case [0.05].", "DEG")
]
Lever = Annotated[
    str | None, _option("--lever", "Pod's distance from the steering axis, m [0.3].", "M")
]
BodyRoll = Annotated[
    str | None,
    _option(
        "--body-roll",
        "Roll of the body at left and right lock, left side up positive [as swept].",
        "LEFT,RIGHT",
    ),
]


def build_priors(
    *,
    toe: str | None = None,
    brake: str = "on",
    mount_tilt: str | None = None,
    mount_yaw: str | None = None,
    roll: str | None = None,
    roll_free: str | None = None,
    pads_across: str | None = None,
    pads_along: str | None = None,
    plates_u: str | None = None,
    gyro_turn_u: str | None = None,
    gyro_scale: str | None = None,
    gyro_cross: str | None = None,
    accel_bias: str | None = None,
    accel_scale: str | None = None,
    accel_cross: str | None = None,
    chip_turn: str | None = None,
    lever: str | None = None,
    body_roll: str | None = None,
) -> Priors:
    """Return priors from what was typed; None stands for the default.

    Raises
    ------
    UsageError
        If something typed is no number, or is negative where it may not be.
    """
    from knuckle.estimate.priors import AccelerometerPrior, GyroPrior, Priors

    if brake not in ("on", "off"):
        raise UsageError(f"--brake takes on or off, not {brake!r}.")
    rolls = None
    if body_roll is not None:
        left, right = one_or_two(body_roll, angle_deg)
        if right is None:
            raise UsageError(
                "--body-roll needs two angles: at left lock and at right lock.",
                "",
                "Write them as LEFT;RIGHT, for example 0.4;-0.4.",
            )
        rolls = (_known(left, BODY_ROLL_GIVEN_U_DEG), _known(right, BODY_ROLL_GIVEN_U_DEG))
    return Priors(
        accelerometer=AccelerometerPrior.independent(
            _number(accel_bias, plain_number, 1.0, "--accel-bias"),
            _number(accel_scale, percentage, 0.1, "--accel-scale"),
            _number(accel_cross, percentage, 0.1, "--accel-cross"),
            _number(chip_turn, angle_deg, 0.05, "--chip-turn"),
            calibrated=True,
        ),
        gyro=GyroPrior.independent(
            _number(gyro_scale, percentage, 3.0, "--gyro-scale"),
            _number(gyro_cross, percentage, 2.0, "--gyro-cross"),
            calibrated=gyro_scale is not None,
        ),
        mount_tilt_deg=_number(mount_tilt, angle_deg, 0.2, "--mount-tilt"),
        mount_yaw_deg=_number(mount_yaw, angle_deg, 0.5, "--mount-yaw"),
        roll_held_deg=_number(roll, angle_deg, 0.05, "--roll"),
        roll_free_deg=_number(roll_free, angle_deg, 30.0, "--roll-free"),
        brake_held=brake == "on",
        toe=_given(toe, 0.3, TOE_GIVEN_U_DEG, "--toe"),
        pads_across=_given(pads_across, 0.1, PADS_GIVEN_U_DEG, "--pads-across"),
        pads_along=_given(pads_along, 0.1, PADS_GIVEN_U_DEG, "--pads-along"),
        plates_deg=_number(plates_u, angle_deg, 0.3, "--plates-u"),
        gyro_turn_deg=_number(gyro_turn_u, angle_deg, 0.05, "--gyro-turn-u"),
        body_roll=rolls,
        lever_m=_number(lever, plain_number, 0.3, "--lever"),
    )


def _number(text: str | None, read: object, default: float, name: str) -> float:
    if text is None:
        return default
    assert callable(read)
    value = float(read(text))
    if value < 0.0:
        raise UsageError(f"{name} is an uncertainty and cannot be negative: {text}.")
    return value


def _known(value: float, standard_uncertainty: float) -> Given:
    from knuckle.estimate.priors import Given

    return Given(value, standard_uncertainty)


def _given(text: str | None, unknown_u: float, known_u: float, name: str) -> Given:
    if text is None:
        return _known(0.0, unknown_u)
    value, sigma = one_or_two(text, angle_deg)
    if sigma is not None and sigma < 0.0:
        raise UsageError(f"The uncertainty of {name} cannot be negative: {text}.")
    return _known(value, known_u if sigma is None else sigma)


def read_plates(text: str | None) -> tuple[float, float] | None:
    """Read the turn plates' angles: one for both sides, or left and right.

    Raises
    ------
    UsageError
        If they are no angles between 5 and 60 deg.
    """
    if text is None:
        return None
    left, right = one_or_two(text, angle_deg)
    both = (abs(left), abs(left if right is None else right))
    if not all(5.0 <= angle <= 60.0 for angle in both):
        raise UsageError(
            f"--plates {text}: turn plates are read at 5 to 60 deg.",
            "",
            "Give the change of heading from straight ahead, for example --plates 20.",
        )
    return both
