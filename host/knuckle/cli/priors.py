"""The options that change what is known beforehand; one table for every measuring command."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

from knuckle.cli.option_table import OptionRow, with_table
from knuckle.errors import UsageError
from knuckle.quantities import angle_deg, one_or_two, percentage, plain_number

if TYPE_CHECKING:
    from knuckle.estimate.priors import Given, Priors

TOE_GIVEN_U_DEG: Final = 0.05
PADS_GIVEN_U_DEG: Final = 0.02
BODY_ROLL_GIVEN_U_DEG: Final = 0.05

_PANEL: Final = "What is known beforehand (one sigma)"


_OPTIONS: Final = (
    OptionRow("toe", "DEG[/U]", "0/0.3", "This wheel's toe at straight ahead; toe-in positive."),
    OptionRow("brake", "on|off", "on", "on: held, and checked. off: the wheel may roll."),
    OptionRow("mount_tilt", "DEG", "0.2", "Spin axis against the pod: tilt."),
    OptionRow("mount_yaw", "DEG", "0.5", "Spin axis against the pod: yaw."),
    OptionRow("roll", "DEG", "0.05", "Roll of a wheel held by the brake."),
    OptionRow("roll_free", "DEG", "30", "Roll of a wheel whose brake is free."),
    OptionRow("pads_across", "DEG[/U]", "0/0.1", "Slope of the pads, left side higher."),
    OptionRow("pads_along", "DEG[/U]", "0/0.1", "Slope of the pads, front higher."),
    OptionRow("plates_u", "DEG", "0.3", "Reading of the turn plates."),
    OptionRow("gyro_turn_u", "DEG", "0.05", "A turn by the gyro between two rests."),
    OptionRow("gyro_scale", "PERCENT", "3", "Gyro scale, if not calibrated."),
    OptionRow("gyro_cross", "PERCENT", "2", "Gyro cross-axis, if not calibrated."),
    OptionRow("accel_bias", "MG", "1", "Accelerometer bias left after calibration."),
    OptionRow("accel_scale", "PERCENT", "0.1", "Accelerometer scale left after calibration."),
    OptionRow("accel_cross", "PERCENT", "0.1", "Accelerometer cross-axis left after calibration."),
    OptionRow("chip_turn", "DEG", "0.05", "Turn of the chip in its case."),
    OptionRow("lever", "M", "0.3", "Pod from the steering axis (slow sweeps only)."),
    OptionRow(
        "body_roll",
        "LEFT/RIGHT",
        "as swept",
        "Roll of the body at left and right lock; left side up is positive.",
    ),
)


def with_priors(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options above; it receives them as its argument `priors`."""
    return with_table(command, _OPTIONS, _PANEL, "priors", build_priors)


def build_priors(typed: dict[str, str | None]) -> Priors:
    """Return priors from what was typed; a missing or None member stands for the default.

    Raises
    ------
    UsageError
        If something typed is no number, or is negative where it may not be.
    """
    from knuckle.estimate.priors import Priors, SensorFigures

    def stated(name: str, read: Callable[[str], float]) -> float | None:
        text = typed.get(name)
        if text is None:
            return None
        value = read(text)
        if value < 0.0:
            flag = "--" + name.replace("_", "-")
            raise UsageError(f"{flag} is an uncertainty and cannot be negative: {text}.")
        return value

    def sigma(name: str, read: Callable[[str], float], unless: float) -> float:
        value = stated(name, read)
        return unless if value is None else value

    usual = Priors()
    brake = typed.get("brake") or "on"
    if brake not in ("on", "off"):
        raise UsageError(f"--brake takes on or off, not {brake!r}.")
    return Priors(
        mount_tilt_deg=sigma("mount_tilt", angle_deg, usual.mount_tilt_deg),
        mount_yaw_deg=sigma("mount_yaw", angle_deg, usual.mount_yaw_deg),
        roll_held_deg=sigma("roll", angle_deg, usual.roll_held_deg),
        roll_free_deg=sigma("roll_free", angle_deg, usual.roll_free_deg),
        brake_held=brake == "on",
        toe=_given(typed.get("toe"), usual.toe, TOE_GIVEN_U_DEG, "--toe"),
        pads_across=_given(
            typed.get("pads_across"), usual.pads_across, PADS_GIVEN_U_DEG, "--pads-across"
        ),
        pads_along=_given(
            typed.get("pads_along"), usual.pads_along, PADS_GIVEN_U_DEG, "--pads-along"
        ),
        plates_deg=sigma("plates_u", angle_deg, usual.plates_deg),
        gyro_turn_deg=sigma("gyro_turn_u", angle_deg, usual.gyro_turn_deg),
        body_roll=_body_roll(typed.get("body_roll")),
        lever_m=sigma("lever", plain_number, usual.lever_m),
        stated=SensorFigures(
            accel_bias_mg=stated("accel_bias", plain_number),
            accel_scale_percent=stated("accel_scale", percentage),
            accel_cross_percent=stated("accel_cross", percentage),
            chip_turn_deg=stated("chip_turn", angle_deg),
            gyro_scale_percent=stated("gyro_scale", percentage),
            gyro_cross_percent=stated("gyro_cross", percentage),
        ),
        pads_across_known=typed.get("pads_across") is not None,
        pads_along_known=typed.get("pads_along") is not None,
    )


def _known(value: float, standard_uncertainty: float) -> Given:
    from knuckle.estimate.priors import Given

    return Given(value, standard_uncertainty)


def _given(text: str | None, unless: Given, known_u: float, flag: str) -> Given:
    if text is None:
        return unless
    value, sigma = one_or_two(text, angle_deg)
    if sigma is not None and sigma < 0.0:
        raise UsageError(f"The uncertainty of {flag} cannot be negative: {text}.")
    return _known(value, known_u if sigma is None else sigma)


def _body_roll(text: str | None) -> tuple[Given, Given] | None:
    if text is None:
        return None
    left, right = one_or_two(text, angle_deg)
    if right is None:
        raise UsageError(
            "--body-roll needs two angles: at left lock and at right lock.",
            "",
            "Write them as LEFT/RIGHT, for example 0.4/-0.4.",
        )
    return _known(left, BODY_ROLL_GIVEN_U_DEG), _known(right, BODY_ROLL_GIVEN_U_DEG)


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
    both = (left, left if right is None else right)
    if not all(5.0 <= angle <= 60.0 for angle in both):
        raise UsageError(
            f"--plates {text}: turn plates are read at 5 to 60 deg.",
            "",
            "Give the change of heading from straight ahead without a sign, such as --plates 20.",
        )
    return both
