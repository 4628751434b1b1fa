"""``knuckle analyze``: measure from a recording, without a pod."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from knuckle.cli.linear_steer import LinearChoice, with_linear
from knuckle.cli.mount import NoSpinOption, NoZeroOption, SquarenessOption, with_squareness
from knuckle.cli.options import BudgetOption, read_wheel
from knuckle.cli.priors import with_priors
from knuckle.cli.request import (
    CalibrationOption,
    GyroOption,
    PlatesOption,
    RearSteersOption,
    StraightOption,
    UncalibratedOption,
    read_calibration,
    sweep_request,
)
from knuckle.cli.sweep_pair import refuse_of_one
from knuckle.cli.toe_options import ToeChoice, with_toe
from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel

if TYPE_CHECKING:
    from collections.abc import Callable

    from knuckle.analysis.request import Request
    from knuckle.estimate.priors import Priors
    from knuckle.run.calibrations import Library as Calibrations
    from knuckle.run.linear_calibrations import Library
    from knuckle.run.toe import ToeTask


KINDS: Final = ("camber", "sweep", "toe", "spin", "reversal", "pair")


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        "analyze",
        help="Measure camber, a sweep, toe, a wheel-turn run or a reversal from a recording.",
    )(with_priors(with_toe(with_linear(analyze))))


def analyze(
    ctx: typer.Context,
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="A raw capture, or a CSV log with a header.")
    ],
    *,
    priors: Priors,
    linear: LinearChoice,
    toe_choice: ToeChoice,
    measure: Annotated[
        str, typer.Option(help="What to measure.", metavar="camber|sweep|toe|spin|reversal|pair")
    ],
    wheel: Annotated[
        Wheel | None,
        typer.Option(
            "--wheel",
            metavar="WHEEL",
            parser=read_wheel,
            help="Wheel that carries the pod: LF, RF, LR or RR; needed unless it is a pair.",
        ),
    ] = None,
    plates: PlatesOption = None,
    straight: StraightOption = None,
    calibration: CalibrationOption = None,
    uncalibrated: UncalibratedOption = False,
    no_spin: NoSpinOption = False,
    no_zero: NoZeroOption = False,
    squareness: SquarenessOption = None,
    use_gyro: GyroOption = True,
    rear_steers: RearSteersOption = False,
    stream: Annotated[
        int | None, typer.Option(help="Which pod of a capture that holds several.", metavar="N")
    ] = None,
    budget: BudgetOption = False,
    json_output: Annotated[
        bool, typer.Option("--json", help="Print one JSON object (docs/results.md).")
    ] = False,
) -> int:
    """Measure from a recording; exit code 3 if the readings do not support a result."""
    if measure not in KINDS:
        kinds = f"{', '.join(KINDS[:-1])} or {KINDS[-1]}"
        raise UsageError(f"--measure takes {kinds}, not {measure!r}.")
    if measure == "pair":
        refuse_of_one(
            wheel=wheel,
            stream=stream,
            plates=plates,
            calibration=calibration,
            uncalibrated=uncalibrated,
            rear_steers=rear_steers,
            linear=linear.on(Wheel.LF),
        )
        return _analyze_pair(
            ctx,
            file,
            (no_spin, no_zero),
            lambda each: sweep_request(
                each,
                priors,
                plates=None,
                straight=straight,
                rear_steers=False,
                use_gyro=use_gyro,
            ),
            json_output,
            budget,
        )
    if wheel is None:
        raise UsageError("Which wheel?", "", "Say --wheel LF (or RF, LR, RR).")
    if measure == "toe":
        task = toe_choice.task(wheel, **linear.channel_and_file())
        which = None if stream is None else stream - 1
        return _analyze_toe(ctx, file, task, which, json_output, budget)
    toe_choice.refuse()
    request = sweep_request(
        wheel,
        priors,
        plates=plates,
        straight=straight,
        rear_steers=rear_steers,
        use_gyro=use_gyro,
        linear=linear.on(wheel),
    )
    given = read_calibration(ctx, calibration, uncalibrated)

    from dataclasses import replace

    from knuckle.run.parts import part_of
    from knuckle.run.remeasure import measure_recording
    from knuckle.run.replay import read_recording

    recording = read_recording(file, None if stream is None else stream - 1)
    if given is None and not uncalibrated:
        recording = recording.with_kept(_calibrations(ctx))
    request = with_squareness(request, squareness)
    if no_spin:
        recording = replace(recording, mount=None)
    if no_zero:
        recording = replace(recording, zero=None)
    part = part_of(recording.parts, wheel)
    library = _library(ctx) if request.linear is not None else None
    outcome = measure_recording(measure, recording, request, given, uncalibrated, part, library)
    from knuckle.cli.outcome import print_outcome

    return print_outcome(
        ctx, outcome, recording.notices, str(file), json_output=json_output, budget=budget
    )


def _analyze_pair(
    ctx: typer.Context,
    file: Path,
    without: tuple[bool, bool],
    request_of: Callable[[Wheel], Request],
    json_output: bool,
    budget: bool,
) -> int:
    from knuckle.cli.live import exit_code, tell_outcomes
    from knuckle.run.measurement import Report
    from knuckle.run.pair_outcome import BOTH_WHEELS
    from knuckle.run.replay_pair import measure_pair, read_pair
    from knuckle.store.rows import RunState

    read = read_pair(file, no_spin=without[0], no_zero=without[1])
    left, right = (request_of(each) for each in BOTH_WHEELS)
    outcomes = measure_pair(read, (left, right))
    notices = tuple(
        f"{each}: {notice}"
        for each, recording in zip(BOTH_WHEELS, read.recordings, strict=True)
        for notice in recording.notices
    )
    report = Report(None, RunState.FINISHED, outcomes, notices)
    tell_outcomes(ctx, report, str(file), json_output=json_output, budget=budget)
    for line in () if json_output else notices:
        typer.echo(f"Note: {line}")
    return exit_code(report, interrupted=False)


def _analyze_toe(
    ctx: typer.Context,
    file: Path,
    task: ToeTask,
    stream: int | None,
    json_output: bool,
    budget: bool,
) -> int:
    from knuckle.cli.outcome import print_outcome
    from knuckle.run.replay import read_linear_recording
    from knuckle.run.toe import measure_toe

    recording = read_linear_recording(file, stream)
    outcome, _ = measure_toe(recording, task, _library(ctx))
    return print_outcome(
        ctx, outcome, recording.notices, str(file), json_output=json_output, budget=budget
    )


def _calibrations(ctx: typer.Context) -> Calibrations | None:
    """Return what finds a pod's newest calibration; None where there is no store."""
    from knuckle.cli.invocation import invocation
    from knuckle.run.calibrations import calibrations_of
    from knuckle.store.database import Store

    path = invocation(ctx).settings.store
    if not path.exists():
        return None
    with Store(path, read_only=True) as store:
        return calibrations_of(store.calibrations())


def _library(ctx: typer.Context) -> Library:
    """Return the calibrations that the store keeps; none where there is no store."""
    from knuckle.cli.invocation import invocation
    from knuckle.run.linear_calibrations import newest
    from knuckle.store.database import Store

    path = invocation(ctx).settings.store
    if not path.exists():
        return lambda identity, channel: None
    with Store(path, read_only=True) as store:
        kept = store.calibrations()
    return lambda identity, channel: newest(kept, identity, channel)
