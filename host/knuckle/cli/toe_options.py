"""The options that say how toe was measured: lengths, string, and what is known beforehand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from knuckle.cli.option_table import OptionRow, with_table
from knuckle.errors import UsageError
from knuckle.quantities import angle_deg, length_mm, one_or_two, plain_number

if TYPE_CHECKING:
    from knuckle.analysis.toe_request import ToeRequest
    from knuckle.estimate.linear import LinearCalibration
    from knuckle.estimate.priors import Given
    from knuckle.model.wheel import Wheel
    from knuckle.run.toe import ToeTask

_PANEL: Final = "Toe by a string (uncertainties are one sigma)"
MOST_REPEATS: Final = 20
# From a kart's rim to the outside of a lorry's tyre with a bar on it (common practice, no source):
# 17 typed for 17 inches would be a toe twenty-five times too large.
_RIM_LENGTH_LOW_MM: Final = 80.0
_RIM_LENGTH_HIGH_MM: Final = 2500.0

_OPTIONS: Final = (
    OptionRow("rim_length", "LENGTH[/U]", "needed", "From the front touch to the rear one."),
    OptionRow("along", "rim|string", "rim", "Along what that length was measured."),
    OptionRow("string", "DEG[/U]", "0/0.03", "Toe of the string: front end inboard is positive."),
    OptionRow("camber", "DEG[/U]", "0/1.5", "Camber of the wheel."),
    OptionRow("height", "LENGTH[/U]", "0/2", "How much higher the front touch was."),
    OptionRow("touch_u", "LENGTH", "0.2", "Touching down once; repeats tell it themselves."),
    OptionRow("runout", "LENGTH", "0.5", "Full sideways swing of the rim over a turn."),
    OptionRow("first", "front|rear", "front", "Where each pair of touches begins."),
    OptionRow("repeats", "N", "3", "Pairs of touches."),
    OptionRow("resolution", "LENGTH", "the sensor's", "Smallest step of a reading."),
)
_SENSOR: Final = (
    OptionRow("linear_channel", "N", "the only one", "Which linear channel of the pod, from 1."),
    OptionRow("linear_calibration", "FILE", "the store's", "The channel's calibration."),
)

Typed = dict[str, str | None]


def with_toe(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of toe; it receives a `ToeChoice` as argument `toe`."""
    return with_table(command, _OPTIONS, _PANEL, "toe_choice", ToeChoice)


def with_toe_and_sensor(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give it those of the linear channel as well."""
    return with_table(command, (*_OPTIONS, *_SENSOR), _PANEL, "toe_choice", ToeChoice)


def read_channel(text: str | None) -> int | None:
    """Read which linear channel is meant.

    Raises
    ------
    UsageError
        If it is no number from 1.
    """
    return None if text is None else _count(text, "The number of a channel", 99)


def read_step_mm(text: str | None) -> float | None:
    """Read the smallest step of a reading.

    Raises
    ------
    UsageError
        If it is no length above 0.
    """
    if text is None:
        return None
    step = length_mm(text)
    if step <= 0.0:
        raise UsageError(f"--resolution must be above 0; {text} is not.")
    return step


def read_linear_calibration(text: str | None) -> LinearCalibration | None:
    """Read the calibration file that is named, if one is."""
    if text is None:
        return None
    from knuckle.run.linear_calibrations import read_linear_file

    return read_linear_file(Path(text))


class ToeChoice:
    """What was typed of a measurement of toe."""

    def __init__(self, typed: Typed) -> None:
        self._typed = typed

    def refuse(self) -> None:
        """Refuse options of toe where something else is measured.

        Raises
        ------
        UsageError
            If there are any.
        """
        for row in _OPTIONS:
            if self._typed[row.name] is not None:
                raise UsageError(
                    f"{row.flag} belongs to a measurement of toe.",
                    "",
                    "Leave it out, or say --measure toe.",
                )

    def request(self, wheel: Wheel) -> ToeRequest:
        """Return what is asked for.

        Raises
        ------
        UsageError
            If something typed is wrong or missing.
        """
        from knuckle.analysis import toe_request
        from knuckle.geometry.toe import Along

        length = self._given("rim_length", length_mm, toe_request.RIM_LENGTH_U_MM)
        if length is None:
            raise UsageError(
                "Toe needs --rim-length.",
                "The same difference is more toe on a shorter length.",
                "Measure from the front touch to the rear one, e.g. --rim-length 430mm.",
            )
        if length.value <= 0.0:
            raise UsageError("--rim-length is a distance and must be above 0.")
        if not _RIM_LENGTH_LOW_MM <= length.value <= _RIM_LENGTH_HIGH_MM:
            raise UsageError(
                f"--rim-length {self._typed['rim_length']} is {length.value:.4g} mm, which is no "
                "length across a wheel.",
                f"Between {_RIM_LENGTH_LOW_MM:.0f} and {_RIM_LENGTH_HIGH_MM:.0f} mm is expected. "
                "A number without a unit is taken as millimetres.",
                "Measure from the front touch to the rear one; inches are written 17in.",
            )
        along = self._typed["along"] or "rim"
        if along not in set(Along):
            raise UsageError(f"--along takes rim or string, not {along!r}.")
        read = {
            "string_deg": self._given("string", angle_deg, toe_request.STRING_GIVEN_U_DEG),
            "camber_deg": self._given("camber", angle_deg, toe_request.CAMBER_GIVEN_U_DEG),
            "height_mm": self._given("height", length_mm, toe_request.HEIGHT_GIVEN_U_MM),
            "touch_mm": self._size("touch_u"),
            "runout_mm": self._size("runout"),
        }
        camber = read["camber_deg"]
        if camber is not None and not abs(camber.value) < 30.0:  # type: ignore[union-attr]  # it is a Given
            raise UsageError("--camber lies within 30 deg.")
        height = read["height_mm"]
        if height is not None and not abs(height.value) < length.value / 2.0:  # type: ignore[union-attr]  # it is a Given
            raise UsageError("--height is more than half of --rim-length.")
        given: dict[str, Any] = {name: value for name, value in read.items() if value is not None}
        return toe_request.ToeRequest(wheel, length, Along(along), **given)

    def task(
        self, wheel: Wheel, *, channel: str | None = None, calibration: str | None = None
    ) -> ToeTask:
        """Return what to measure with a pod or from a recording.

        Parameters
        ----------
        channel, calibration : str or None
            As typed, where another table of options has them.
        """
        request = self.request(wheel)
        from knuckle.model.result import Place
        from knuckle.run.toe import REPEATS, ToeTask

        first = self._typed["first"] or "front"
        if first not in set(Place):
            raise UsageError(f"--first takes front or rear, not {first!r}.")
        repeats = self._typed["repeats"]
        return ToeTask(
            request,
            channel=read_channel(channel or self._typed.get("linear_channel")),
            first=Place(first),
            repeats=REPEATS if repeats is None else _count(repeats, "--repeats", MOST_REPEATS),
            given=read_linear_calibration(calibration or self._typed.get("linear_calibration")),
            step_mm=read_step_mm(self._typed["resolution"]),
        )

    def _given(self, name: str, read: Callable[[str], float], known_u: float) -> Given | None:
        from knuckle.estimate.priors import Given

        text = self._typed[name]
        if text is None:
            return None
        value, sigma = one_or_two(text, read)
        if sigma is not None and sigma < 0.0:
            raise UsageError(f"The uncertainty of {_flag(name)} cannot be negative: {text}.")
        return Given(value, known_u if sigma is None else sigma)

    def _size(self, name: str) -> float | None:
        text = self._typed[name]
        if text is None:
            return None
        value = length_mm(text)
        if value < 0.0:
            raise UsageError(f"{_flag(name)} cannot be negative: {text}.")
        return value


def _flag(name: str) -> str:
    return "--" + name.replace("_", "-")


def _count(text: str, flag: str, most: int) -> int:
    number = plain_number(text)
    if number != int(number) or not 1 <= number <= most:
        raise UsageError(f"{flag} takes a whole number from 1 to {most}, not {text}.")
    return int(number)
