"""``knuckle linear``: calibrate a linear sensor against known lengths; list and show them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from knuckle.cli.cautions import LENGTHS
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
from knuckle.cli.stored import ForceOption, JsonOption, open_store, print_json
from knuckle.cli.toe_options import read_channel, read_step_mm
from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel
from knuckle.quantities import length_mm, one_or_two, percentage, read_number

if TYPE_CHECKING:
    from knuckle.estimate.linear_fit import KnownLength, LineFit
    from knuckle.model.result import Outcome
    from knuckle.run.linear import Linearity, LinearTask, SetLength

REFERENCE_U_MM: Final = 0.05
"""Of a drill shank or a mark of a steel rule: common practice, no source."""
TYPED_READING_U_MM: Final = 0.03
MOST_LENGTHS: Final = 50

ChannelOption = Annotated[
    str | None,
    typer.Option(
        "--channel",
        metavar="N",
        help="Which linear channel of the pod, from 1. [default: the only one]",
    ),
]
OutFileOption = Annotated[
    Path | None, typer.Option("--out", metavar="FILE", help="Write it to a JSON file as well.")
]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    group = typer.Typer(
        help="Calibrate a linear sensor against known lengths; list and show calibrations.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("calibrate")(calibrate)
    group.command("list")(list_kept)
    group.command("show")(show)
    app.add_typer(group, name="linear")


def calibrate(
    ctx: typer.Context,
    lengths: Annotated[
        list[str],
        typer.Argument(
            metavar="LENGTH...",
            help="Known lengths in the order in which they are set: 25, 1in, 25/0.01 with its own "
            "uncertainty. As LENGTH=READING they are typed in, and no pod is needed.",
        ),
    ],
    *,
    pod: PodOption = None,
    channel: ChannelOption = None,
    reference_uncertainty: Annotated[
        str | None,
        typer.Option(
            "--reference-uncertainty",
            metavar="LENGTH",
            help="Of each known length, one sigma. [default: 0.05]",
            show_default=False,
        ),
    ] = None,
    linearity: Annotated[
        str | None,
        typer.Option(
            "--linearity",
            metavar="PERCENT|LENGTH",
            help="Independent linearity by the data sheet, e.g. 1% of the travel, or 0.5mm; counts "
            "with two lengths. [default: potentiometer 1%, caliper 0.02mm]",
            show_default=False,
        ),
    ] = None,
    resolution: Annotated[
        str | None,
        typer.Option(
            "--resolution",
            metavar="LENGTH",
            help="Smallest step of a reading. [default: the sensor's]",
            show_default=False,
        ),
    ] = None,
    reading_uncertainty: Annotated[
        str | None,
        typer.Option(
            "--reading-uncertainty",
            metavar="LENGTH",
            help="Of each typed reading, one sigma. [default: 0.03]",
            show_default=False,
        ),
    ] = None,
    identity: Annotated[
        str | None,
        typer.Option(
            "--identity",
            metavar="ID",
            help="The pod that typed readings are of, as `knuckle pods` shows it.",
            show_default=False,
        ),
    ] = None,
    rate: RateOption = None,
    out: OutFileOption = None,
    force: ForceOption = False,
    json_output: JsonOption = False,
) -> int:
    """Set known lengths one after the other, hands-free; the line through them is kept.

    Exit code 3 if the readings do not support a calibration.
    """
    from knuckle.run.linear import LinearTask

    if out is not None and out.exists() and not force:
        raise UsageError(f"The file {out} exists already.", "", "Choose another name, or --force.")
    each_u_mm = _size(reference_uncertainty, "--reference-uncertainty", REFERENCE_U_MM)
    known, readings = _read_lengths(lengths, each_u_mm)
    task = LinearTask(
        known,
        channel=read_channel(channel),
        linearity=_read_linearity(linearity),
        step_mm=read_step_mm(resolution),
        rate_hz=rate,
    )
    if readings:
        if pod is not None:
            raise UsageError("--pod reads lengths, LENGTH=READING types them in: choose.")
        u_mm = _size(reading_uncertainty, "--reading-uncertainty", TYPED_READING_U_MM)
        return _from_typed(ctx, task, readings, u_mm, identity or "", out, json_output)
    for flag, given in (
        ("--reading-uncertainty", reading_uncertainty),
        ("--identity", identity),
    ):
        if given is not None:
            raise UsageError(f"{flag} belongs to readings that are typed in as LENGTH=READING.")
    return _from_pod(ctx, task, pod, out, json_output)


def _from_pod(
    ctx: typer.Context, task: LinearTask, pod: str | None, out: Path | None, json_output: bool
) -> int:
    from dataclasses import replace

    from knuckle.cli.live_view import TerminalView
    from knuckle.run.linear import linear_measurement
    from knuckle.store.database import Store

    here = invocation(ctx)
    address = choose_pod(pod, here.settings, console_for(here, json_output))
    in_order = ",".join(f"{length.length_mm:.6g}" for length in task.lengths)
    address = sim_with(address, {"script.lengths_mm": in_order, "script.repeat": "1"})
    link = open_for_eyes(here, address, Wheel.LF, "lengths")
    task = replace(task, facts=simulated_facts(address, link))
    with Store(here.settings.store) as store:
        with screen_for(here, json_output) as screen, here.sounds() as sounds:
            order = ", ".join(task.labels)
            for line in (*LENGTHS, f"Order: {order}.", link.description()):
                screen.say(line)
            measurement, method = linear_measurement(
                task, link, TerminalView(screen, sounds), store
            )
            report, interrupted = run_to_end(measurement)
        outcome = report.outcomes[0] if report.outcomes else None
        kept = not interrupted and report.complete and report.ended is None
        if outcome is not None and method.fit is not None and kept:
            _keep(store, outcome, method.fit, method.points, out, json_output)
        else:
            tell(ctx, report, here.settings.store, interrupted=interrupted, json_output=json_output)
            typer.echo("No calibration is kept.", err=True)
    return exit_code(report, interrupted)


def _from_typed(
    ctx: typer.Context,
    task: LinearTask,
    readings: tuple[float, ...],
    u_mm: float,
    identity: str,
    out: Path | None,
    json_output: bool,
) -> int:
    from knuckle.estimate.linear_fit import KnownLength
    from knuckle.run.linear import fit_points, stamp
    from knuckle.store.database import Store

    points = [
        KnownLength(known.length_mm, known.u_mm, reading, u_mm)
        for known, reading in zip(task.lengths, readings, strict=True)
    ]
    outcome, fit = fit_points(points, task, "", identity, stamp())
    if fit is None:
        from knuckle.cli.outcome import print_outcome

        print_outcome(ctx, outcome, (), "typed", json_output=json_output)
        return REFUSED
    with Store(invocation(ctx).settings.store) as store:
        _keep(store, outcome, fit, points, out, json_output)
    return DONE


def _keep(
    store: Any,
    outcome: Outcome,
    fit: LineFit,
    points: list[KnownLength] | tuple[KnownLength, ...],
    out: Path | None,
    json_output: bool,
) -> None:
    """Put a calibration into the store and the file, and print it."""
    from knuckle.report.export import export_json
    from knuckle.report.linear_text import fit_lines
    from knuckle.report.results_json import outcome_to_json

    made = fit.calibration
    number = store.add_calibration(made.identity, made.to_json())
    if out is not None:
        export_json(made.to_json(), out, overwrite=True)
    if json_output:
        print_json(outcome_to_json(outcome, number=number, calibration=made.to_json()))
        return
    typer.echo("")
    for line in fit_lines(fit, points, outcome.warnings):
        typer.echo(line)
    where = f"Calibration {number} is kept in {store.path}"
    typer.echo(where if out is None else f"{where} and in {out}")
    if not made.identity:
        typer.echo("The pod has no identity: name the file with --linear-calibration to use it.")


def list_kept(ctx: typer.Context, as_json: JsonOption = False) -> None:
    """List the calibrations of linear sensors that the store keeps, newest first."""
    from knuckle.estimate.linear import FORMAT
    from knuckle.report.linear_text import LIST_HEAD, list_line
    from knuckle.run.linear_calibrations import of_record

    with open_store(ctx) as store:
        rows = [row for row in store.calibrations() if row.record.get("format") == FORMAT]
    if as_json:
        listed = [{"number": row.calibration_id, **row.record} for row in rows]
        print_json({"schema": 1, "calibrations": listed})
        return
    if not rows:
        typer.echo("The store keeps no calibration of a linear sensor yet.")
        return
    typer.echo(LIST_HEAD)
    for row in rows:
        typer.echo(list_line(row.calibration_id, of_record(row.record)))


def show(
    ctx: typer.Context,
    number: Annotated[
        str, typer.Argument(metavar="NUMBER", help="As `knuckle linear list` shows it; or last.")
    ],
    out: OutFileOption = None,
    force: ForceOption = False,
    as_json: JsonOption = False,
) -> None:
    """Show a kept calibration, or write it to a file."""
    from knuckle.estimate.linear import FORMAT
    from knuckle.report.export import export_json
    from knuckle.report.linear_text import calibration_lines
    from knuckle.run.linear_calibrations import of_record

    with open_store(ctx) as store:
        rows = [row for row in store.calibrations() if row.record.get("format") == FORMAT]
    last = number.strip().lower() == "last"
    found = next((row for row in rows if last or str(row.calibration_id) == number.strip()), None)
    if found is None:
        raise UsageError(
            f"The store keeps no calibration {number!r} of a linear sensor.",
            "",
            "`knuckle linear list` shows those it keeps.",
        )
    if out is not None:
        export_json(found.record, out, overwrite=force)
    if as_json:
        print_json(found.record)
        return
    for line in calibration_lines(of_record(found.record)):
        typer.echo(line)
    if out is not None:
        typer.echo(f"Written to {out}")


def _read_lengths(
    texts: list[str], each_u_mm: float
) -> tuple[tuple[SetLength, ...], tuple[float, ...]]:
    """Read known lengths, and readings where they are typed in."""
    from knuckle.run.linear import SetLength

    if len(texts) > MOST_LENGTHS:
        raise UsageError(f"At most {MOST_LENGTHS} lengths make one calibration.")
    known: list[SetLength] = []
    readings: list[float] = []
    for text in texts:
        name, equals, reading = text.partition("=")
        value, own_u_mm = one_or_two(name, length_mm)
        if own_u_mm is not None and own_u_mm < 0.0:
            raise UsageError(f"The uncertainty of a length cannot be negative: {text}.")
        u_mm = each_u_mm if own_u_mm is None else own_u_mm
        label = name.partition("/")[0].strip()
        spoken = label if read_number(label).unit else f"{label} mm"
        known.append(SetLength(spoken, value, u_mm))
        if equals:
            readings.append(length_mm(reading))
    if readings and len(readings) < len(known):
        raise UsageError(
            "Some lengths have a reading typed after them and some have not.",
            "",
            "Write all as LENGTH=READING, or none.",
        )
    if len(known) < 2:
        raise UsageError(
            "A calibration needs two known lengths or more.", "", "Five, well spread, are good."
        )
    return tuple(known), tuple(readings)


def _read_linearity(text: str | None) -> Linearity:
    from knuckle.run.linear import Linearity

    if text is None:
        return Linearity()
    typed = read_number(text)
    value = percentage(text) if typed.unit == "%" else length_mm(text)
    if value < 0.0 or not typed.unit:
        raise UsageError(
            f"--linearity {text} is not clear.", "", "Write it with its unit: 1% or 0.5mm."
        )
    return Linearity(share=value / 100.0) if typed.unit == "%" else Linearity(limit_mm=value)


def _size(text: str | None, flag: str, unless: float) -> float:
    if text is None:
        return unless
    value = length_mm(text)
    if value < 0.0:
        raise UsageError(f"{flag} is an uncertainty and cannot be negative: {text}.")
    return value
