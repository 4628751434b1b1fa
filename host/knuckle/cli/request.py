"""The options that say what was done in a sweep, and the request made of them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knuckle.cli.priors import read_plates
from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel

if TYPE_CHECKING:
    from knuckle.analysis.request import Request
    from knuckle.estimate.calibration import Calibration
    from knuckle.estimate.linear_steer import LinearSteer
    from knuckle.estimate.priors import Priors

PlatesOption = Annotated[
    str | None,
    typer.Option(
        "--plates",
        metavar="DEG",
        help="Turn-plate angles: change of heading from straight ahead; one number, or LEFT/RIGHT.",
        show_default=False,
    ),
]
StraightOption = Annotated[
    int | None,
    typer.Option(
        "--straight",
        metavar="N",
        help="Number of the rest that was straight ahead.",
        show_default=False,
    ),
]
RearSteersOption = Annotated[
    bool, typer.Option("--rear-steers", help="The car steers its rear wheels.")
]
GyroOption = Annotated[
    bool, typer.Option("--gyro/--no-gyro", help="Whether the result uses the gyro.")
]
CalibrationOption = Annotated[
    Path | None,
    typer.Option(
        "--calibration",
        metavar="FILE|N",
        help="A calibration by its file, or by its number in `knuckle calibrate --list`, in place "
        "of this pod's newest.",
    ),
]
UncalibratedOption = Annotated[
    bool, typer.Option("--uncalibrated", help="Take the pod's readings as not calibrated.")
]


def sweep_request(
    wheel: Wheel,
    priors: Priors,
    *,
    plates: str | None,
    straight: int | None,
    rear_steers: bool,
    use_gyro: bool,
    linear: LinearSteer | None = None,
) -> Request:
    """Return what is asked for, from the options as typed.

    Raises
    ------
    UsageError
        If one of them cannot be.
    """
    if straight is not None and straight < 1:
        raise UsageError(f"--straight counts rests from 1; {straight} is none.")
    plates_deg = read_plates(plates)
    from knuckle.analysis.request import Request

    return Request(
        wheel=wheel,
        priors=priors,
        plates_deg=plates_deg,
        straight=None if straight is None else straight - 1,
        rear_steers=rear_steers,
        use_gyro=use_gyro,
        linear=linear,
    )


def read_calibration(
    ctx: typer.Context, path: Path | None, uncalibrated: bool
) -> Calibration | None:
    """Read a calibration that is named: a file, or a number of those that the store keeps.

    Raises
    ------
    UsageError
        If it is said as well that there is none, or there is none with that number.
    RecordingError
        If it cannot be read.
    """
    if path is None:
        return None
    if uncalibrated:
        raise UsageError("--calibration and --uncalibrated contradict each other.")
    from knuckle.run.calibration_json import read_file

    if str(path).isdigit() and not path.exists():
        from knuckle.cli.calibrate_kept import kept_calibration

        return kept_calibration(ctx, str(path))
    return read_file(path)
