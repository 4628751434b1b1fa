"""``knuckle report``: a job as a page to keep and print, or as data."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from knuckle.cli.jobs_named import JobArgument, job_named
from knuckle.cli.stored import ForceOption, open_store
from knuckle.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from knuckle.job.book import JobView
    from knuckle.report.alignment_page import Plot

ENDINGS: Final = {"html": ".html", "csv": ".csv", "json": ".json", "parquet": ".parquet"}


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("report")(report)


def report(
    ctx: typer.Context,
    job: JobArgument = "last",
    form: Annotated[
        str | None,
        typer.Option(
            "--as",
            metavar="html|csv|json|parquet",
            help="html unless the suffix of --out says otherwise.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FILE", help="File to write; else named after the job."),
    ] = None,
    force: ForceOption = False,
) -> None:
    """Write the report of an alignment: one page (html), or all its figures (csv, json, parquet).

    The page needs nothing beside it: open it in a browser, print it from there.
    """
    from knuckle.job.book import view_of

    name = _form(form, out)
    with open_store(ctx) as store:
        view = view_of(store, job_named(store, job).job_id)
    path = out or Path(f"job-{view.row.job_id}{ENDINGS[name]}")
    _write(view, name, path, force)
    typer.echo(f"Wrote {path}")


def _form(form: str | None, out: Path | None) -> str:
    if form is None:
        suffix = "" if out is None else out.suffix.lower()
        return next((name for name, ending in ENDINGS.items() if ending == suffix), "html")
    name = form.strip().lower()
    if name not in ENDINGS:
        raise UsageError(f"--as takes {', '.join(ENDINGS)}; not {form!r}.")
    return name


def _curves(view: JobView) -> Iterator[Plot]:
    """Yield a plot of each reading through suspension travel."""
    import io

    from knuckle.cli.travel_plot import figure_of
    from knuckle.model.wheel import Wheel
    from knuckle.report.alignment_page import Plot
    from knuckle.report.plot import DOTS_PER_INCH
    from knuckle.run.travel import stops_in

    for entered in view.state.readings:
        run = view.runs.get(-1 if entered.entry.run_id is None else entered.entry.run_id)
        if run is None or run.kind != "travel" or not run.results:
            continue
        wheel = Wheel(run.results[0].outcome.wheel)
        try:
            figure = figure_of(wheel, stops_in(run.facts), run.facts.get("rim_mm"), run.run_id)
        except UsageError:  # too few heights for a curve; the run says so itself
            continue
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=DOTS_PER_INCH)
        when = run.started_utc[:16].replace("T", " ")
        yield Plot(
            buffer.getvalue(),
            f"Camber and toe of {wheel} over suspension travel, with the fitted curves",
            f"Run {run.run_id}, {wheel} through its travel, {when} UTC",
        )


def _write(view: JobView, name: str, path: Path, force: bool) -> None:
    from knuckle.report.export import export_json, new_file
    from knuckle.report.job_rows import job_rows, write_csv, write_parquet

    if name == "csv":
        write_csv(job_rows(view), path, overwrite=force)
    elif name == "parquet":
        write_parquet(job_rows(view), path, overwrite=force)
    elif name == "json":
        from knuckle.cli.align_status import status_json

        export_json(status_json(view), path, overwrite=force)
    else:
        from knuckle.report.alignment_html import html
        from knuckle.report.alignment_lines import page_of
        from knuckle.report.alignment_plots import plots_of

        text = html(page_of(view, (*plots_of(view), *_curves(view))))
        with new_file(path, force) as part:
            part.write_text(text, encoding="utf-8")
