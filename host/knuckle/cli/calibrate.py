"""``knuckle calibrate``: calibrate a pod by poses, hands-free; list and show what is kept."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knuckle.cli.calibrate_kept import keep, list_kept, print_made, show_kept, write_to_pod
from knuckle.cli.cautions import CALIBRATE
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
from knuckle.cli.stored import ForceOption, JsonOption
from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel
from knuckle.quantities import angle_deg

if TYPE_CHECKING:
    from knuckle.run.calibrate import Calibrated, CalibrateTask


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("calibrate")(calibrate)


def calibrate(
    ctx: typer.Context,
    *,
    pod: PodOption = None,
    face: Annotated[
        bool, typer.Option("--face/--no-face", help="Whether to end with the face run.")
    ] = True,
    turn: Annotated[
        str | None,
        typer.Option(
            "--turn",
            metavar="DEG",
            help="A full turn on a flat surface as well, for the gyro's scale: 360, 720 ...",
            show_default=False,
        ),
    ] = None,
    turn_uncertainty: Annotated[
        str | None,
        typer.Option(
            "--turn-uncertainty",
            metavar="DEG",
            help="How well the turn comes back to its mark, one sigma. [default: 0.5]",
            show_default=False,
        ),
    ] = None,
    resume: Annotated[
        str | None,
        typer.Option(
            "--resume", metavar="RUN", help="Go on with the poses of a run that was broken off."
        ),
    ] = None,
    source: Annotated[
        str | None,
        typer.Option(
            "--from",
            metavar="FILE|RUN",
            help="From a raw capture, a CSV log, or a stored run (its number, or last), without a "
            "pod.",
            show_default=False,
        ),
    ] = None,
    write_pod: Annotated[
        bool,
        typer.Option("--write-pod", help="Write it into the pod's own memory too, and read back."),
    ] = False,
    kept: Annotated[
        bool, typer.Option("--keep/--no-keep", help="Whether the store keeps the calibration.")
    ] = True,
    listed: Annotated[
        bool, typer.Option("--list", help="List the calibrations that are kept, newest first.")
    ] = False,
    show: Annotated[
        str | None,
        typer.Option(
            "--show", metavar="N", help="Show a kept calibration, by its number, or last."
        ),
    ] = None,
    rate: RateOption = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write it to a JSON file as well.")
    ] = None,
    force: ForceOption = False,
    json_output: JsonOption = False,
) -> int:
    """Turn the pod through still poses in any order, then hold its mounting face to a wall.

    Nothing need be level and nobody presses a key. Exit code 3 if the poses do not support a
    calibration: then none is kept.
    """
    if listed:
        return list_kept(ctx, as_json=json_output)
    if out is not None and out.exists() and not force:
        raise UsageError(f"The file {out} exists already.", "", "Choose another name, or --force.")
    if show is not None:
        return show_kept(ctx, show, out, force=force, as_json=json_output)
    if source is not None and (pod is not None or resume is not None or write_pod):
        raise UsageError(
            "--from takes a recording; --pod, --resume and --write-pod are for a live pod: choose."
        )
    from knuckle.run.calibrate import ALIGNED_DEG, CalibrateTask

    turn_u_deg = ALIGNED_DEG if turn_uncertainty is None else angle_deg(turn_uncertainty)
    if turn_u_deg <= 0.0:
        raise UsageError("--turn-uncertainty is an uncertainty and must be above 0.")
    task = CalibrateTask(face, read_turn(turn), turn_u_deg, rate_hz=rate)
    if source is not None:
        return _from_recording(ctx, task, source, out, kept=kept, as_json=json_output)
    return _live(ctx, task, pod, resume, out, kept=kept, write_pod=write_pod, as_json=json_output)


def read_turn(text: str | None) -> float | None:
    """Read the angle of the full turn.

    Raises
    ------
    UsageError
        If it is no whole number of turns.
    """
    if text is None:
        return None
    turn_deg = abs(angle_deg(text))
    if turn_deg < 360.0 or turn_deg % 360.0 > 1e-6:
        raise UsageError(
            f"--turn {text} is no whole turn.",
            "Only a whole turn comes back to its mark without an angle being measured.",
            "Give 360, or 720 for two turns.",
        )
    return turn_deg


def _live(
    ctx: typer.Context,
    task: CalibrateTask,
    pod: str | None,
    resume: str | None,
    out: Path | None,
    *,
    kept: bool,
    write_pod: bool,
    as_json: bool,
) -> int:
    from dataclasses import replace

    from knuckle.cli.live_view import TerminalView
    from knuckle.run.calibrate import calibrate_measurement
    from knuckle.run.calibrate_stored import earlier_runs
    from knuckle.store.database import Store

    here = invocation(ctx)
    address = choose_pod(pod, here.settings, console_for(here, as_json))
    with Store(here.settings.store) as store:
        earlier = () if resume is None else earlier_runs(store, resume)
        wanted = {"posing.face": "true" if task.face else "false"}
        if task.turn_deg is not None:
            wanted["posing.turn"] = "true"
        address = sim_with(address, wanted)
        link = open_for_eyes(here, address, Wheel.LF, "calibrate")
        task = replace(task, earlier=earlier, facts=simulated_facts(address, link))
        with screen_for(here, as_json) as screen, here.sounds() as sounds:
            for line in (*CALIBRATE, link.description()):
                screen.say(line)
            measurement, method = calibrate_measurement(
                task, link, TerminalView(screen, sounds), store
            )
            report, interrupted = run_to_end(measurement)
        found = method.result
        whole = not interrupted and report.complete and report.ended is None
        if found is None or not whole or found.made is None:
            tell(ctx, report, here.settings.store, interrupted=interrupted, json_output=as_json)
            for line in _how_to_go_on(report.run, whole, found):
                typer.echo(line, err=True)
            return exit_code(report, interrupted)
        number = keep(store, found, report.run) if kept else None
        print_made(ctx, found, number, report.run, out, as_json=as_json)
        if write_pod:
            write_to_pod(link, found, as_json=as_json)
    return DONE


def _how_to_go_on(run: int | None, whole: bool, found: Calibrated | None) -> list[str]:
    lines = ["No calibration is kept."]
    if run is None:
        return lines
    if not whole:
        lines.append(f"`knuckle calibrate --resume {run}` goes on with the poses captured.")
        if found is not None and found.made is not None:
            lines.append(f"`knuckle calibrate --from {run}` keeps what they give as it is.")
    elif found is not None:
        lines.append(f"`knuckle calibrate --resume {run}` adds the poses that are missing.")
    return lines


def _from_recording(
    ctx: typer.Context,
    task: CalibrateTask,
    source: str,
    out: Path | None,
    *,
    kept: bool,
    as_json: bool,
) -> int:
    from knuckle.cli.outcome import print_outcome
    from knuckle.run.calibrate_stored import calibrate_source
    from knuckle.store.database import Store

    with Store(invocation(ctx).settings.store) as store:
        found, run, notices = calibrate_source(store, source, task)
        if found.made is None:
            name = f"run {run}" if run is not None else source
            print_outcome(ctx, found.outcome, notices, name, json_output=as_json)
            return REFUSED
        number = keep(store, found, run) if kept else None
        print_made(ctx, found, number, run, out, as_json=as_json, notices=notices)
    return DONE
