"""``knuckle runs``, ``show``, ``note``, ``export`` and ``plot``: what the store keeps."""

from __future__ import annotations

import json
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knuckle.cli.invocation import invocation
from knuckle.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from knuckle.model.block import Block
    from knuckle.model.rest import Rest
    from knuckle.model.result import Outcome
    from knuckle.store.database import Store
    from knuckle.store.rows import RunDetail, StreamRow


class ExportFormat(StrEnum):
    """What a run can be exported as."""

    CSV = "csv"
    JSON = "json"
    CAPTURE = "capture"
    PARQUET = "parquet"


class Picture(StrEnum):
    """What can be drawn of a run."""

    SAMPLES = "samples"
    RESULT = "result"


Run = Annotated[
    str,
    typer.Argument(metavar="RUN", help="Number of the run, as `knuckle runs` shows it; or last."),
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object.")]
Out = Annotated[
    Path | None,
    typer.Option("--out", metavar="FILE", help="File to write; else named after the run."),
]
WheelOption = Annotated[
    str | None,
    typer.Option("--wheel", metavar="WHEEL", help="Which wheel's pod, where a run has several."),
]
Force = Annotated[bool, typer.Option("--force", help="Replace files that exist.")]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("runs")(runs)
    app.command("show")(show)
    app.command("note")(note)
    app.command("export")(export)
    app.command("plot")(plot)


def runs(
    ctx: typer.Context,
    limit: Annotated[
        int, typer.Option("--limit", min=1, metavar="N", help="How many of the newest runs.")
    ] = 20,
    all_runs: Annotated[bool, typer.Option("--all", help="All of them.")] = False,
    as_json: Json = False,
) -> None:
    """List the runs that the store keeps, newest first."""
    from knuckle.report.run_json import runs_to_json
    from knuckle.report.summary import list_lines

    console = invocation(ctx).console()
    with _open(ctx) as store:
        total = store.run_count()
        summaries = store.runs(None if all_runs else limit)
    if as_json:
        _print_json(runs_to_json(summaries))
        return
    if not summaries:
        typer.echo("The store keeps no runs yet. `knuckle demo` makes a first one.")
        return
    width = console.width if console.is_terminal else None
    for line in list_lines(summaries, plus_minus=_plus_minus(console), width=width):
        typer.echo(line)
    if len(summaries) < total:
        typer.echo(f"{total - len(summaries)} earlier runs: `knuckle runs --all` lists them too.")


def show(ctx: typer.Context, run: Run, as_json: Json = False) -> None:
    """Show all that is known of a run: results with their budgets, rests, streams, notes."""
    from knuckle.report.run_json import detail_to_json
    from knuckle.report.summary import detail_lines

    with _open(ctx) as store:
        detail = store.run(_number(store, run))
    if as_json:
        _print_json(detail_to_json(detail))
        return
    for line in detail_lines(detail, plus_minus=_plus_minus(invocation(ctx).console())):
        typer.echo(line)


def note(
    ctx: typer.Context,
    run: Run,
    text: Annotated[list[str], typer.Argument(metavar="TEXT", help="What to note.")],
) -> None:
    """Add a note to a run. Notes are kept for good; a later one does not replace an earlier."""
    with _open(ctx, read_only=False) as store:
        number = _number(store, run)
        store.add_note(number, " ".join(text))
    typer.echo(f"Noted at run {number}.")


def export(
    ctx: typer.Context,
    run: Run,
    form: Annotated[
        ExportFormat | None,
        typer.Option("--as", help="csv unless the suffix of --out says otherwise."),
    ] = None,
    out: Out = None,
    wheel: WheelOption = None,
    force: Force = False,
) -> None:
    """Write a run to a file: samples (csv, parquet), results (json), raw bytes (capture).

    A csv log and a capture can be read by `knuckle analyze`.
    """
    from knuckle.report import export as exports

    form = form or _format_of(out)
    suffix = exports.FORMATS[form.value]
    with _open(ctx) as store:
        number = _number(store, run)
        detail = store.run(number)
        if form is ExportFormat.JSON:
            path = out or Path(f"run-{number}{suffix}")
            exports.export_json(detail, path, overwrite=force)
        elif form is ExportFormat.CAPTURE:
            path = out or Path(f"run-{number}{suffix}")
            exports.export_capture(store, number, path, overwrite=force)
        else:
            row = _stream(detail, wheel)
            path = out or Path(f"{_stem(detail, row.wheel)}{suffix}")
            block = _block(store, number, row)
            facts = exports.facts_of(detail, row.stream)
            if form is ExportFormat.PARQUET:
                exports.export_parquet(block, path, facts, overwrite=force)
            else:
                from knuckle.terminal.progress import long_work

                with long_work(_aside(), f"writing {path}", len(block)) as done:
                    exports.export_csv(block, path, facts, overwrite=force, progress=done)
    typer.echo(f"Wrote {path}")


def plot(
    ctx: typer.Context,
    run: Run,
    what: Annotated[
        Picture | None,
        typer.Option("--what", help="samples over time, or the result; both if not given."),
    ] = None,
    out: Out = None,
    wheel: WheelOption = None,
    svg: Annotated[bool, typer.Option("--svg", help="SVG in place of PNG.")] = False,
    force: Force = False,
) -> None:
    """Draw a run: its samples with the rests shaded, and camber against steer with the fit."""
    from knuckle.report import plot as plots

    with _open(ctx) as store:
        number = _number(store, run)
        detail = store.run(number)
        row = _stream(detail, wheel)
        outcome = _outcome(detail, row, wheel)
        wanted = [what] if what else [Picture.SAMPLES] + ([Picture.RESULT] if outcome else [])
        if outcome is None and what is Picture.RESULT:
            raise UsageError(
                f"Run {number} has no result to draw.",
                f"It is {detail.summary.state.value}.",
                f"`knuckle plot {number} --what samples` draws what was captured.",
            )
        shown = outcome.wheel if outcome else row.wheel
        title = _title(detail, shown)
        rests: Sequence[Rest] = ()
        block = None
        swept = outcome is not None and outcome.measure == "sweep" and _has_steer(outcome)
        if Picture.SAMPLES in wanted or swept:
            from knuckle.rests.detector import find_rests

            block = _block(store, number, row)
            rests = find_rests(block)
        for picture in wanted:
            if picture is Picture.SAMPLES and block is not None:
                placed = outcome.rests if outcome else ()
                figure = plots.plot_samples(block, placed or rests, outcome, title)
            elif outcome is not None and swept:
                figure = plots.plot_sweep(outcome, title, rests)
            elif outcome is not None and (outcome.rests or what):
                figure = plots.plot_camber(outcome, title)
            else:
                continue
            path = _picture_path(out, _stem(detail, shown), picture, svg, alone=len(wanted) == 1)
            plots.save(figure, path, overwrite=force)
            typer.echo(f"Wrote {path}")


def _open(ctx: typer.Context, *, read_only: bool = True) -> Store:
    from knuckle.store.database import Store

    return Store(invocation(ctx).settings.store, read_only=read_only)


def _number(store: Store, run: str) -> int:
    if run.strip().lower() == "last":
        newest = store.runs(1)
        if not newest:
            raise UsageError(
                "The store keeps no runs yet.", "", "`knuckle demo` makes a first one."
            )
        return newest[0].run_id
    if not (run.isascii() and run.isdigit()) or len(run) > 18:
        raise UsageError(
            f"{run!r} is not the number of a run.",
            "",
            "Give a number that `knuckle runs` shows, or the word last.",
        )
    return int(run)


def _stream(detail: RunDetail, wheel: str | None) -> StreamRow:
    number = detail.summary.run_id
    if not detail.streams:
        raise UsageError(f"Run {number} has no pod.", "", f"See `knuckle show {number}`.")
    names = [row.wheel or "none" for row in detail.streams]
    if wheel is None:
        if len(detail.streams) > 1:
            raise UsageError(
                f"Run {number} has {len(names)} pods, on {', '.join(names)}.",
                "",
                "Say which with --wheel.",
            )
        return detail.streams[0]
    wanted = wheel.strip().upper()
    for row, name in zip(detail.streams, names, strict=True):
        if name.upper() == wanted:
            return row
    if len(detail.streams) == 1 and any(item.outcome.wheel == wanted for item in detail.results):
        return detail.streams[0]
    raise UsageError(
        f"Run {number} has no pod on {wheel!r}.",
        f"Its pods stood on: {', '.join(names)}.",
        "Name one of them with --wheel.",
    )


def _outcome(detail: RunDetail, row: StreamRow, wheel: str | None) -> Outcome | None:
    """Return the last outcome of the wheel asked for, of the stream's, or of the only pod."""
    latest = detail.latest()
    for wanted in (wheel.strip().upper() if wheel else None, row.wheel):
        for result in latest:
            if result.outcome.wheel == wanted:
                return result.outcome
    return latest[-1].outcome if latest and len(detail.streams) == 1 and not wheel else None


def _block(store: Store, number: int, row: StreamRow) -> Block:
    from knuckle.store.recording import block_of_run

    return block_of_run(store, number, row.stream)


def _has_steer(outcome: Outcome) -> bool:
    return any(rest.steer_deg is not None for rest in outcome.rests)


def _stem(detail: RunDetail, wheel: str | None) -> str:
    return f"run-{detail.summary.run_id}" + (f"-{wheel}" if wheel else "")


def _title(detail: RunDetail, wheel: str | None) -> str:
    from knuckle.report.summary import local_time

    summary = detail.summary
    on = f" on {wheel}" if wheel else ""
    return f"Run {summary.run_id}, {summary.kind}{on}, {local_time(summary.started_utc)}"


def _format_of(out: Path | None) -> ExportFormat:
    from knuckle.report.export import FORMATS

    if out is None:
        return ExportFormat.CSV
    for name, suffix in FORMATS.items():
        if out.suffix.lower() == suffix:
            return ExportFormat(name)
    raise UsageError(
        f"The suffix of {out} names no format.",
        "",
        f"Use one of {', '.join(FORMATS.values())}, or say which with --as.",
    )


def _picture_path(out: Path | None, stem: str, picture: Picture, svg: bool, *, alone: bool) -> Path:
    suffix = ".svg" if svg else ".png"
    if out is None:
        return Path(f"{stem}-{picture.value}{suffix}")
    if not out.suffix:
        out = out.with_name(out.name + suffix)
    return out if alone else out.with_name(f"{out.stem}-{picture.value}{out.suffix}")


def _plus_minus(console: Console) -> str:
    from knuckle.terminal.glyphs import glyphs_for

    return glyphs_for(console.encoding).plus_minus


def _aside() -> Console:
    """Return the console for what is no result: standard error."""
    from rich.console import Console

    return Console(stderr=True, highlight=False)


def _print_json(content: dict[str, Any]) -> None:
    # ASCII only, so that it passes through any code page.
    typer.echo(json.dumps(content, indent=2, allow_nan=False))
