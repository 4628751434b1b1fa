"""The options that say how a linear sensor is laid to the steered wheel."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from knuckle.cli.option_table import OptionRow, with_table
from knuckle.errors import UsageError
from knuckle.quantities import angle_deg, length_mm, one_or_two, percentage, plain_number

if TYPE_CHECKING:
    from knuckle.estimate.linear_steer import LinearSteer
    from knuckle.estimate.priors import Given
    from knuckle.model.wheel import Wheel

LENGTH_GIVEN_U_MM: Final = 5.0
ANGLE_GIVEN_U_DEG: Final = 2.0
ARM_GIVEN_U_DEG: Final = 10.0

_PANEL: Final = "A linear sensor as source of steer angle"
_SIDES: Final = ("left", "right", "in", "out")

_OPTIONS: Final = (
    OptionRow("linear", "wire|rod", "not used", "How it is laid to the wheel."),
    OptionRow("linear_lever", "LENGTH[/U]", "needed", "Steering axis to point or rod, from above."),
    OptionRow("linear_longer", "SIDE", "needed", "Which way makes it longer: left|right|in|out."),
    OptionRow("linear_distance", "LENGTH[/U]", "as calibrated", "Wire: from point to anchor."),
    OptionRow("linear_face", "LENGTH[/U]", "0/5", "Rod: face ahead of the axis, along the rod."),
    OptionRow("linear_angle", "DEG[/U]", "90/2", "Lever to wire (rod: face to rod), from above."),
    OptionRow("linear_arm", "DEG[/U]", "0/20", "Direction of the lever, from forward to outboard."),
    OptionRow("linear_rise", "LENGTH[/U]", "0/10", "Wire: anchor above the point."),
    OptionRow("linear_play", "LENGTH", "0.2", "Play of the linkage at each rest."),
    OptionRow("linear_channel", "N", "the only one", "Which linear channel of the pod, from 1."),
    OptionRow("linear_calibration", "FILE", "the newest kept", "The channel's calibration."),
    OptionRow("linear_scale", "PERCENT", "2", "Scale of the sensor, if not calibrated."),
    OptionRow("linear_curve", "LENGTH", "0.3", "Departure from its line, if not calibrated."),
)

Typed = dict[str, str | None]


def with_linear(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options above; it receives a `LinearChoice` as argument `linear`."""
    return with_table(command, _OPTIONS, _PANEL, "linear", LinearChoice)


class LinearChoice:
    """What was typed of the linear sensor; the wheel's side decides what "in" means."""

    def __init__(self, typed: Typed) -> None:
        self._typed = typed

    def on(self, wheel: Wheel) -> LinearSteer | None:
        """Return the linkage on a wheel; None where the sensor is not used.

        Raises
        ------
        UsageError
            If something typed is wrong or missing.
        RecordingError
            If the calibration cannot be read.
        """
        kind = self._typed["linear"]
        if kind is None:
            typed = [row.flag for row in _OPTIONS if self._typed[row.name] is not None]
            if typed:
                raise UsageError(
                    f"{typed[0]} says something of a linear sensor that is not used.",
                    "",
                    "Say --linear wire or --linear rod as well, or leave it out.",
                )
            return None
        if kind not in ("wire", "rod"):
            raise UsageError(f"--linear takes wire or rod, not {kind!r}.")
        return self._linkage(kind, wheel)

    def channel_and_file(self) -> dict[str, str | None]:
        """Return the `channel` and `calibration` file that were typed, for a toe reading.

        Raises
        ------
        UsageError
            If anything else was typed of the linear sensor.
        """
        mine = ("linear_channel", "linear_calibration")
        for row in _OPTIONS:
            if row.name not in mine and self._typed[row.name] is not None:
                raise UsageError(f"{row.flag} belongs to a sweep, not to toe.")
        return {
            "channel": self._typed["linear_channel"],
            "calibration": self._typed["linear_calibration"],
        }

    def _linkage(self, kind: str, wheel: Wheel) -> LinearSteer:
        from knuckle.estimate.linear_steer import LinearSteer
        from knuckle.geometry.linkage import LinkageKind
        from knuckle.run.linear_calibrations import read_linear_file

        wire = kind == "wire"
        self._refuse("linear_face" if wire else "linear_distance", kind)
        if not wire:
            self._refuse("linear_rise", kind)
        file = self._typed["linear_calibration"]
        calibration = None if file is None else read_linear_file(Path(file))
        if calibration is not None:
            for name in ("linear_scale", "linear_curve"):
                if self._typed[name] is not None:
                    raise UsageError(
                        f"{_flag(name)} and --linear-calibration contradict each other."
                    )
        lever = self._length("linear_lever")
        if lever is None:
            raise self._missing("linear_lever", "The lever turns a length into an angle.")
        if lever.value <= 0.0:
            raise UsageError("--linear-lever is a distance and must be above 0.")
        reach = self._length("linear_distance" if wire else "linear_face")
        uncalibrated = any(self._typed[n] is not None for n in ("linear_scale", "linear_curve"))
        if wire and reach is None and uncalibrated:
            raise self._missing(
                "linear_distance", "Without a calibration only changes of length are known."
            )
        if wire and reach is not None and reach.value <= 0.0:
            raise UsageError("--linear-distance is a distance and must be above 0.")
        words: dict[str, Any] = {
            "reach_mm": reach if wire or reach is not None else _given(0.0, LENGTH_GIVEN_U_MM),
            "angle_deg": self._angle("linear_angle", ANGLE_GIVEN_U_DEG),
            "arm_deg": self._angle("linear_arm", ARM_GIVEN_U_DEG),
            "rise_mm": self._length("linear_rise"),
            "own_mm": self._sigma("linear_play", length_mm),
            "gain_percent": self._sigma("linear_scale", percentage),
            "curve_mm": self._sigma("linear_curve", length_mm),
            "channel": self._channel(None if calibration is None else calibration.channel),
            "calibration": calibration,
            "uncalibrated": uncalibrated,
        }
        given = {name: value for name, value in words.items() if value is not None}
        angle = given.get("angle_deg")
        if angle is not None and not 1.0 <= angle.value <= 179.0:
            raise UsageError("--linear-angle lies between 1 and 179 deg: 90 is square.")
        return LinearSteer(LinkageKind(kind), lever, self._longer_left(wheel), **given)

    def _refuse(self, name: str, kind: str) -> None:
        if self._typed[name] is not None:
            raise UsageError(f"{_flag(name)} has no meaning with --linear {kind}.")

    def _missing(self, name: str, why: str) -> UsageError:
        return UsageError(
            f"--linear needs {_flag(name)}.", why, "docs/measurement.md shows what to measure."
        )

    def _longer_left(self, wheel: Wheel) -> bool:
        side = (self._typed["linear_longer"] or "").strip().lower()
        if not side:
            raise self._missing("linear_longer", "The sign of the steer angle follows from it.")
        if side not in _SIDES:
            raise UsageError(f"--linear-longer takes left, right, in or out, not {side!r}.")
        if side in ("left", "right"):
            return side == "left"
        return (side == "out") == wheel.is_left

    def _length(self, name: str) -> Given | None:
        return self._value(name, length_mm, LENGTH_GIVEN_U_MM)

    def _angle(self, name: str, known_u_deg: float) -> Given | None:
        return self._value(name, angle_deg, known_u_deg)

    def _value(self, name: str, read: Callable[[str], float], known_u: float) -> Given | None:
        text = self._typed[name]
        if text is None:
            return None
        value, sigma = one_or_two(text, read)
        if sigma is not None and sigma < 0.0:
            raise UsageError(f"The uncertainty of {_flag(name)} cannot be negative: {text}.")
        return _given(value, known_u if sigma is None else sigma)

    def _sigma(self, name: str, read: Callable[[str], float]) -> float | None:
        text = self._typed[name]
        if text is None:
            return None
        value = read(text)
        if value < 0.0:
            raise UsageError(f"{_flag(name)} is an uncertainty and cannot be negative: {text}.")
        return value

    def _channel(self, calibrated: int | None) -> int | None:
        text = self._typed["linear_channel"]
        if text is None:
            return calibrated
        number = plain_number(text)
        if number != int(number) or number < 1:
            raise UsageError(f"--linear-channel counts from 1; {text} is none.")
        if calibrated is not None and calibrated != int(number):
            raise UsageError(
                f"The calibration is of linear channel {calibrated}, not of {int(number)}."
            )
        return int(number)


def _flag(name: str) -> str:
    return "--" + name.replace("_", "-")


def _given(value: float, sigma: float) -> Given:
    from knuckle.estimate.priors import Given

    return Given(value, sigma)
