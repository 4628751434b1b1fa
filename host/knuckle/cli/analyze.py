"""``knuckle analyze``: measure from a recording, without a pod."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knuckle.cli.options import WheelOption
from knuckle.cli.priors import read_plates, with_priors
from knuckle.errors import UsageError

if TYPE_CHECKING:
    from knuckle.estimate.priors import Priors


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("analyze", help="Measure camber or a sweep from a recording.")(with_priors(analyze))


def analyze(
    ctx: typer.Context,
    file: Annotated[Path, typer.Argument(help="A raw capture, or a CSV log with a header.")],
    *,
    priors: Priors,
    measure: Annotated[str, typer.Option(help="What to measure.", metavar="camber|sweep")],
    wheel: WheelOption,
    plates: Annotated[
        str | None,
        typer.Option(
            help="Turn-plate angles: change of heading from straight ahead; one number, or "
            "left;right.",
            metavar="DEG",
        ),
    ] = None,
    straight: Annotated[
        int | None, typer.Option(help="Number of the rest that was straight ahead.", metavar="N")
    ] = None,
    calibration: Annotated[
        Path | None, typer.Option(help="Calibration file for these readings.", metavar="FILE")
    ] = None,
    uncalibrated: Annotated[
        bool, typer.Option("--uncalibrated", help="Take the readings as not calibrated.")
    ] = False,
    use_gyro: Annotated[
        bool, typer.Option("--gyro/--no-gyro", help="Whether to use the gyro.")
    ] = True,
    rear_steers: Annotated[
        bool, typer.Option("--rear-steers", help="The car steers its rear wheels.")
    ] = False,
    stream: Annotated[
        int | None, typer.Option(help="Which pod of a capture that holds several.", metavar="N")
    ] = None,
    json_output: Annotated[
        bool, typer.Option("--json", help="Print one JSON object (docs/results.md).")
    ] = False,
) -> int:
    """Measure from a recording; exit code 3 if the readings do not support a result."""
    if measure not in ("camber", "sweep"):
        raise UsageError(f"--measure takes camber or sweep, not {measure!r}.")
    if uncalibrated and calibration is not None:
        raise UsageError("--calibration and --uncalibrated contradict each other.")
    if straight is not None and straight < 1:
        raise UsageError(f"--straight counts rests from 1; {straight} is none.")
    plate_angles = read_plates(plates)

    from knuckle.analysis.request import Request
    from knuckle.run.calibrations import read_file
    from knuckle.run.parts import part_of
    from knuckle.run.remeasure import measure_recording
    from knuckle.run.replay import read_recording

    given = read_file(calibration) if calibration is not None else None
    recording = read_recording(file, None if stream is None else stream - 1)
    request = Request(
        wheel=wheel,
        priors=priors,
        plates_deg=plate_angles,
        straight=None if straight is None else straight - 1,
        rear_steers=rear_steers,
        use_gyro=use_gyro,
    )
    part = part_of(recording.parts, wheel)
    outcome = measure_recording(measure, recording, request, given, uncalibrated, part)
    from knuckle.cli.outcome import print_outcome

    return print_outcome(ctx, outcome, recording.notices, str(file), json_output=json_output)
