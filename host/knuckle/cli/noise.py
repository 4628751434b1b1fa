"""``knuckle noise``: how much a pod's readings scatter while it lies still."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from knuckle.cli.exit_codes import DONE, REFUSED
from knuckle.cli.invocation import invocation
from knuckle.cli.live import console_for, exit_code, run_to_end, screen_for, simulated_facts, tell
from knuckle.cli.opening import open_for_eyes
from knuckle.cli.options import PodOption, RateOption, SecondsOption
from knuckle.cli.pod_choice import choose_pod
from knuckle.cli.stored import (
    ForceOption,
    JsonOption,
    PodOnWheelOption,
    chosen_stream,
    decoded_stream,
    open_store,
    print_json,
    run_number,
)
from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel

if TYPE_CHECKING:
    from knuckle.run.noise import Noise
    from knuckle.store.database import Store

USUAL_S: Final = 300.0
SAID: Final = (
    "Lay the pod on something heavy that stands on the floor. Let it run for ten",
    "minutes first: its temperature must have settled. Then leave it alone.",
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("noise")(noise)


def noise(
    ctx: typer.Context,
    *,
    pod: PodOption = None,
    file: Annotated[
        Path | None,
        typer.Option(
            "--file", metavar="FILE", help="From a raw capture or a CSV log, without a pod."
        ),
    ] = None,
    run: Annotated[
        str | None,
        typer.Option(
            "--run", metavar="RUN", help="From a stored run, by its number, or last; without a pod."
        ),
    ] = None,
    seconds: SecondsOption = None,
    rate: RateOption = None,
    stream: Annotated[
        int | None,
        typer.Option("--stream", metavar="N", help="Which pod of a file that holds several."),
    ] = None,
    wheel: PodOnWheelOption = None,
    plot: Annotated[
        Path | None,
        typer.Option("--plot", metavar="FILE", help="Draw the curves: PNG or SVG."),
    ] = None,
    keep: Annotated[
        bool | None,
        typer.Option(
            "--keep/--no-keep",
            help="Keep the figures for this pod, so that the finding of rests starts from them. "
            "[default: of a whole live record]",
            show_default=False,
        ),
    ] = None,
    list_kept: Annotated[
        bool, typer.Option("--list", help="List the figures that are kept, newest first.")
    ] = False,
    force: ForceOption = False,
    json_output: JsonOption = False,
) -> int:
    """Measure the noise of a pod that lies still: Allan deviation of every channel.

    Exit code 3 if the record does not support it.
    """
    _check(pod, file, run, seconds, plot, force=force)
    if list_kept:
        return _list(ctx, json_output)
    if file is not None:
        from knuckle.run.noise import noise_of_file

        found = noise_of_file(file, None if stream is None else stream - 1)
        return _tell(ctx, found, str(file), plot, keep=bool(keep), force=force, as_json=json_output)
    if run is not None:
        found, source = _of_run(ctx, run, wheel)
        return _tell(ctx, found, source, plot, keep=bool(keep), force=force, as_json=json_output)
    return _live(ctx, pod, seconds or USUAL_S, rate, plot, keep is not False, force, json_output)


def _check(
    pod: str | None,
    file: Path | None,
    run: str | None,
    seconds: float | None,
    plot: Path | None,
    *,
    force: bool,
) -> None:
    """Refuse what contradicts itself, before a pod has lain still for minutes."""
    if sum(each is not None for each in (pod, file, run)) > 1:
        raise UsageError("--pod, --file and --run each say where the record comes from: choose.")
    if seconds is not None and (file is not None or run is not None):
        raise UsageError("--seconds is for a live record; a file or a run is used whole.")
    if plot is None:
        return
    if plot.suffix.lower() not in (".png", ".svg"):
        raise UsageError(
            f"A plot cannot be written as {plot.suffix or 'a file without suffix'!r}.",
            "",
            "Name a file that ends in .png or .svg.",
        )
    if plot.exists() and not force:
        raise UsageError(f"The file {plot} exists already.", "", "Choose another name, or --force.")


def _of_run(ctx: typer.Context, run: str, wheel: str | None) -> tuple[Noise, str]:
    from knuckle.run.noise import noise_of_bytes

    with open_store(ctx) as store:
        number = run_number(store, run)
        detail = store.run(number)
        decoded = decoded_stream(store, detail, chosen_stream(detail, wheel))
    return noise_of_bytes(decoded, detail.summary.started_utc), f"run {number}"


def _live(
    ctx: typer.Context,
    pod: str | None,
    seconds: float,
    rate: float | None,
    plot: Path | None,
    keep: bool,
    force: bool,
    json_output: bool,
) -> int:
    from knuckle.cli.live_view import TerminalView
    from knuckle.run.noise import NoiseTask, noise_measurement
    from knuckle.store.database import Store

    here = invocation(ctx)
    address = choose_pod(pod, here.settings, console_for(here, json_output))
    link = open_for_eyes(here, address, Wheel.LF, "still")
    task = NoiseTask(seconds, simulated_facts(address, link), rate)
    with Store(here.settings.store) as store:
        with screen_for(here, json_output) as screen, here.sounds() as sounds:
            for line in (*SAID, link.description()):
                screen.say(line)
            measurement, method = noise_measurement(task, link, TerminalView(screen, sounds), store)
            report, interrupted = run_to_end(measurement)
        found = method.found
        if found is None or found.pod is None:
            tell(ctx, report, here.settings.store, interrupted=interrupted, json_output=json_output)
            return exit_code(report, interrupted)
        whole = not interrupted and report.complete and report.ended is None
        kept = _keep(store, found) if keep and whole else None
        if not json_output:
            for line in _opening(interrupted=interrupted, whole=whole):
                typer.echo(line)
        _show(ctx, found, f"run {report.run}", kept, plot, force=force, as_json=json_output)
        if not json_output:
            typer.echo(f"Run {report.run} ({report.state.value}) is kept in {store.path}")
            if not whole and keep:
                typer.echo(
                    f"Its figures are not: `knuckle noise --run {report.run} --keep` keeps them."
                )
    return exit_code(report, interrupted)


def _opening(*, interrupted: bool, whole: bool) -> list[str]:
    if interrupted:
        return ["", "Stopped early: this is what the part captured gives."]
    return [] if whole else ["", "INCOMPLETE: the pod's data ended before the time asked for."]


def _tell(
    ctx: typer.Context,
    found: Noise,
    source: str,
    plot: Path | None,
    *,
    keep: bool,
    force: bool,
    as_json: bool,
) -> int:
    """Tell what a file or a stored run gives, and keep it where that was asked for."""
    if found.pod is None:
        from knuckle.cli.outcome import print_outcome

        return print_outcome(ctx, found.outcome, found.notices, source, json_output=as_json)
    kept = None
    if keep:
        from knuckle.store.database import Store

        with Store(invocation(ctx).settings.store) as store:
            kept = _keep(store, found)
    _show(ctx, found, source, kept, plot, force=force, as_json=as_json)
    return DONE if found.outcome.refused is None else REFUSED


def _keep(store: Store, found: Noise) -> int | None:
    """Keep figures for their pod; None for a pod that cannot be told from others."""
    record = found.record
    if record is None or not found.identity:
        return None
    return store.add_calibration(found.identity, record)


def _show(
    ctx: typer.Context,
    found: Noise,
    source: str,
    kept: int | None,
    plot: Path | None,
    *,
    force: bool,
    as_json: bool,
) -> None:
    from knuckle.report.noise_text import noise_lines
    from knuckle.report.outcome_text import outcome_lines
    from knuckle.report.results_json import outcome_to_json

    record = found.record
    assert record is not None
    if plot is not None:
        from knuckle.report.plot import save
        from knuckle.report.plot_noise import plot_noise

        save(plot_noise(record, f"Noise, {source}"), plot, overwrite=force)
    if as_json:
        print_json(
            outcome_to_json(
                found.outcome, source=source, kept=kept, noise=record, notices=list(found.notices)
            )
        )
        return
    console = invocation(ctx).console()
    console.print()
    for line in (*noise_lines(record), *list(outcome_lines(found.outcome, found.notices))[2:]):
        console.print(line, markup=False, soft_wrap=True, emoji=False)
    console.print()
    if plot is not None:
        typer.echo(f"Wrote {plot}")
    if kept is not None:
        typer.echo(f"Figures {kept} are kept for pod {found.identity}: its rests start from them.")
    elif not found.identity:
        typer.echo("The pod has no identity, so its figures are not kept for it.")


def _list(ctx: typer.Context, as_json: bool) -> int:
    from knuckle.noise.analyse import FORMAT
    from knuckle.report.noise_text import list_lines

    with open_store(ctx) as store:
        kept = [row for row in store.calibrations() if row.record.get("format") == FORMAT]
    if as_json:
        listed = [{"number": row.calibration_id, **row.record} for row in kept]
        print_json({"schema": 1, "noise": listed})
    elif not kept:
        typer.echo("The store keeps no noise of a pod yet.")
    else:
        for line in list_lines([(row.calibration_id, row.record) for row in kept]):
            typer.echo(line)
    return DONE
