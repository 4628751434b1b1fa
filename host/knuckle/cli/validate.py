"""``knuckle validate``: the pod against a protractor, a gauge or a sine bar."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knuckle.cli.exit_codes import DONE, REFUSED
from knuckle.cli.invocation import invocation
from knuckle.cli.live import (
    console_for,
    exit_code,
    run_to_end,
    screen_for,
    sim_with,
    simulated_facts,
    tell,
)
from knuckle.cli.opening import open_for_eyes
from knuckle.cli.options import PodOption, RateOption
from knuckle.cli.pod_choice import choose_pod
from knuckle.cli.request import CalibrationOption, UncalibratedOption, read_calibration
from knuckle.cli.stored import ForceOption, JsonOption, open_store, run_number
from knuckle.cli.validate_outputs import Outputs
from knuckle.cli.validate_plan import Wanted, opening
from knuckle.cli.validate_reference import Typed, as_fact, reader, stated
from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel
from knuckle.quantities import angle_deg

if TYPE_CHECKING:
    from datetime import datetime

    from knuckle.run.validation import ValidateTask
    from knuckle.store.database import Store


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("validate")(validate)


def _text(flag: str, metavar: str, help_text: str) -> Any:
    return typer.Option(flag, metavar=metavar, help=help_text, show_default=False)


def validate(
    ctx: typer.Context,
    *,
    pod: PodOption = None,
    tolerance: Annotated[
        str | None, _text("--tolerance", "DEG", "Largest error that is allowed. [default: 0.2]")
    ] = None,
    design: Annotated[
        str,
        typer.Option(
            "--design", metavar="DESIGN", help="linear, updown, repeat, reversal, or full."
        ),
    ] = "full",
    low: Annotated[
        str | None, _text("--from", "DEG", "Lowest angle that is set. [default: -5]")
    ] = None,
    high: Annotated[
        str | None, _text("--to", "DEG", "Highest angle that is set. [default: 5]")
    ] = None,
    angles: Annotated[
        int | None,
        typer.Option(
            "--angles",
            metavar="N",
            help="Angles set each way. [default: 9, linear 11; more if need be]",
        ),
    ] = None,
    seatings: Annotated[
        int | None,
        typer.Option(
            "--seatings",
            metavar="N",
            help="How often it is put on at one angle. [default: 10, more if need be]",
        ),
    ] = None,
    keep_seated: Annotated[
        bool,
        typer.Option("--keep-seated", help="The pod stays on while angles are set, clamped."),
    ] = False,
    reference: Annotated[
        str | None, _text("--reference", "KIND", "protractor, gauge or sine-bar; asked once.")
    ] = None,
    resolution: Annotated[
        str | None, _text("--resolution", "DEG", "Smallest step that can be read off it.")
    ] = None,
    accuracy: Annotated[
        str | None,
        _text(
            "--accuracy",
            "DEG",
            "Its own accuracy as stated, plus or minus; of a sine bar: how level its surface is.",
        ),
    ] = None,
    scale: Annotated[
        str | None,
        _text(
            "--scale-error",
            "PERCENT",
            "Limit of its scale error. [default: as much as its accuracy at the last angle]",
        ),
    ] = None,
    reading_u: Annotated[
        str | None,
        _text("--reading-u", "DEG", "Of one reading beside the step, one sigma. [default: 0]"),
    ] = None,
    bar: Annotated[
        str | None,
        _text("--bar", "LENGTH", "Sine bar between its cylinders: 100, 100/0.02. [u: 0.05]"),
    ] = None,
    stack_u: Annotated[
        str | None, _text("--stack-u", "LENGTH", "Of a stack's height, one sigma. [default: 0.02]")
    ] = None,
    resume: Annotated[
        str | None,
        typer.Option("--resume", metavar="RUN", help="Go on where a run broke off."),
    ] = None,
    run: Annotated[
        str | None,
        typer.Option("--run", metavar="RUN", help="Assess a stored run anew, without a pod."),
    ] = None,
    report: Annotated[
        Path | None,
        typer.Option(
            "--report",
            metavar="FILE",
            help="Where the report goes. [default: beside the store]",
            show_default=False,
        ),
    ] = None,
    plots: Annotated[
        Path | None,
        typer.Option("--plots", metavar="FOLDER", help="Write the report's plots as PNG, too."),
    ] = None,
    calibration: CalibrationOption = None,
    uncalibrated: UncalibratedOption = False,
    rate: RateOption = None,
    force: ForceOption = False,
    json_output: JsonOption = False,
) -> int:
    """Set angles and type what the reference shows: verdict, and a report to hand on.

    The pod's readings are captured at rest by themselves. Exit code 3 if they do not decide.
    """
    limit = None if tolerance is None else _above_zero(angle_deg(tolerance), "--tolerance")
    if report is not None and report.exists() and not force:
        raise UsageError(
            f"The file {report} exists already.", "", "Choose another name, or --force."
        )
    outputs = Outputs(ctx, report, plots, json_output)
    if run is not None:
        if pod is not None or resume is not None:
            raise UsageError("--run assesses a stored run; no pod is needed, nothing gone on with.")
        return _stored(ctx, run, limit, outputs)
    typed = Typed(reference, resolution, accuracy, scale, reading_u, bar, stack_u)
    wanted = Wanted(design, low, high, angles, seatings, keep_seated, limit)
    given = read_calibration(ctx, calibration, uncalibrated)

    from dataclasses import replace

    from knuckle.cli.live_view import TerminalView
    from knuckle.cli.typed_lines import asker_for
    from knuckle.links.address import parse_address
    from knuckle.links.schemes import SIMULATED
    from knuckle.run.validation import validate_measurement
    from knuckle.store.database import Store

    here = invocation(ctx)
    address = choose_pod(pod, here.settings, console_for(here, json_output))
    simulated = parse_address(address).scheme in SIMULATED
    with Store(here.settings.store) as store:
        task, about, reaches = _task(store, resume, typed, wanted, simulated=simulated)
        address = _simulated(address, task)
        link = open_for_eyes(here, address, Wheel.LF, "validate")
        if resume is not None:
            task = _since(store, task, link.clock.utc(link.clock.now_s()))
        facts = {**task.facts, **simulated_facts(address, link)}
        task = replace(task, given=given, uncalibrated=uncalibrated, facts=facts, rate_hz=rate)
        with screen_for(here, json_output) as screen, here.sounds() as sounds:
            for line in opening(task.plan, about, reaches):
                screen.say(line)
            screen.say(link.description())
            ask = asker_for(link, screen, simulated)
            measurement, method = validate_measurement(
                task, link, TerminalView(screen, sounds), store, ask, reader(task.plan.bar)
            )
            found, interrupted = run_to_end(measurement)
    broke_off = interrupted or not found.complete or found.ended is not None
    if method.record is None:
        tell(ctx, found, here.settings.store, interrupted=interrupted, json_output=json_output)
        if broke_off and found.run is not None:
            typer.echo(_resumed(found.run), file=sys.stderr)
        return exit_code(found, interrupted)
    outputs.show(found.run, method.record, found.notices)
    aside = sys.stderr if json_output else sys.stdout
    if broke_off and found.run is not None:
        typer.echo(_resumed(found.run), file=aside)
    typer.echo(
        f"Run {found.run} ({found.state.value}) is kept in {here.settings.store}", file=aside
    )
    code = exit_code(found, interrupted)
    return code if code != DONE else _code(method.record)


def _resumed(run: int) -> str:
    return f"It broke off: `knuckle validate --resume {run}` goes on from there."


def _task(
    store: Store, resume: str | None, typed: Typed, wanted: Wanted, *, simulated: bool
) -> tuple[ValidateTask, str, list[str]]:
    from dataclasses import replace
    from datetime import UTC, datetime

    from knuckle.run.validation import ValidateTask
    from knuckle.run.validation_stored import going_on

    if resume is not None:
        if typed.anything:
            raise UsageError("--resume takes the reference of the run that it goes on with.")
        task = going_on(store, run_number(store, resume), datetime.now(UTC))
        if wanted.states_tolerance:
            task = replace(task, plan=replace(task.plan, tolerance_deg=wanted.tolerance_deg))
        about = f"{task.plan.reference.kind.value.replace('_', ' ')}, as in run {task.continues}"
        return task, about, []
    may_ask = not simulated and sys.stdin is not None
    found = stated(typed, store, may_ask=may_ask)
    plan, reaches = wanted.plan(found)
    return ValidateTask(plan, facts={"stated": as_fact(found)}), found.lines(), reaches


def _since(store: Store, task: ValidateTask, now: datetime) -> ValidateTask:
    """Count time from the first run on by the link's own clock."""
    from dataclasses import replace

    from knuckle.run.calibrations import moment_of

    assert task.continues is not None
    began = moment_of(store.run(task.continues).summary.started_utc)
    before = float(store.run(task.continues).facts.get("since_s", 0.0))
    passed_s = 0.0 if began is None else max(0.0, (now - began).total_seconds())
    return replace(task, since_s=before + passed_s)


def _simulated(address: str, task: ValidateTask) -> str:
    """Let a simulated person do the steps that are left."""
    from knuckle.run.validation import steps_left

    steps = steps_left(task)
    angles, actions = [], []
    before = None
    for step in steps:
        same = before is not None and before.setting == step.setting
        if same:
            action = 3 if step.turned else 2
        else:
            action = 1 if before is not None and before.seat == step.seat else 0
        angles.append(f"{step.target_deg:g}")
        actions.append(str(action))
        before = step
    wanted = {"tilting.angles_deg": ",".join(angles), "tilting.actions": ",".join(actions)}
    if task.plan.bar is not None:
        wanted["tilting.bar_mm"] = f"{task.plan.bar.length_mm:g}"
    return sim_with(address, wanted)


def _above_zero(value: float, name: str) -> float:
    if value <= 0.0:
        raise UsageError(f"{name} must be above zero.")
    return value


def _stored(ctx: typer.Context, run: str, tolerance: float | None, outputs: Outputs) -> int:
    from knuckle.run.validation_stored import measured_again

    with open_store(ctx) as store:
        number = run_number(store, run)
        outcome, record = measured_again(store, number, tolerance)
    if record is None:
        from knuckle.cli.outcome import print_outcome

        if outcome is None:
            raise UsageError(f"Run {number} holds no reading yet.")
        return print_outcome(ctx, outcome, (), f"run {number}", json_output=outputs.as_json)
    outputs.show(number, record, ())
    return _code(record)


def _code(record: dict[str, Any]) -> int:
    from knuckle.run.validation import decides

    return DONE if decides(record) else REFUSED
