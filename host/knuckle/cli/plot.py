"""``knuckle plot``: a run drawn."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knuckle.cli.stored import (
    ForceOption,
    OutOption,
    PodOnWheelOption,
    RunArgument,
    chosen_stream,
    decoded_stream,
    file_stem,
    open_store,
    run_number,
)
from knuckle.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from knuckle.model.rest import Rest
    from knuckle.model.result import Outcome
    from knuckle.store.rows import RunDetail, StreamRow


class Picture(StrEnum):
    """What can be drawn of a run."""

    SAMPLES = "samples"
    RESULT = "result"
    NOISE = "noise"


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("plot")(plot)


def plot(
    ctx: typer.Context,
    run: RunArgument,
    what: Annotated[
        Picture | None,
        typer.Option(
            "--what",
            help="samples over time, the result, or the Allan deviation; what "
            "there is if not given.",
        ),
    ] = None,
    out: OutOption = None,
    wheel: PodOnWheelOption = None,
    svg: Annotated[bool, typer.Option("--svg", help="SVG in place of PNG.")] = False,
    force: ForceOption = False,
) -> None:
    """Draw a run: samples with rests shaded, camber against steer with the fit, noise."""
    from knuckle.report import plot as plots
    from knuckle.report.plot_noise import plot_noise

    with open_store(ctx) as store:
        number = run_number(store, run)
        detail = store.run(number)
        if detail.summary.kind == "travel":
            _plot_travel(detail, out, svg=svg, force=force)
            return
        row = chosen_stream(detail, wheel)
        outcome = _outcome(detail, row, wheel)
        wanted = [what] if what else [Picture.SAMPLES] + ([Picture.RESULT] if outcome else [])
        found = detail.facts.get("noise")
        if found and what is None:
            wanted = [Picture.SAMPLES, Picture.NOISE]
        if what is Picture.NOISE and not found:
            raise UsageError(
                f"Run {number} has no Allan deviation to draw.",
                "It was not made by `knuckle noise`, or its record did not serve.",
                f"`knuckle noise --run {number} --plot FILE` draws one of any still record.",
            )
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
            from knuckle.store.recording import samples_of

            block = samples_of(decoded_stream(store, detail, row), number, row.stream)
            rests = find_rests(block)
        for picture in wanted:
            if picture is Picture.NOISE and found is not None:
                figure = plot_noise(found, title)
            elif picture is Picture.SAMPLES and block is not None:
                placed = outcome.rests if outcome else ()
                figure = plots.plot_samples(block, placed or rests, outcome, title)
            elif outcome is not None and swept:
                figure = plots.plot_sweep(outcome, title, rests)
            elif outcome is not None and (outcome.rests or what):
                figure = plots.plot_camber(outcome, title)
            else:
                continue
            stem = file_stem(detail, shown)
            path = _picture_path(out, stem, picture, svg, alone=len(wanted) == 1)
            plots.save(figure, path, overwrite=force)
            typer.echo(f"Wrote {path}")


def _plot_travel(detail: RunDetail, out: Path | None, *, svg: bool, force: bool) -> None:
    from knuckle.cli.travel_plot import draw
    from knuckle.model.wheel import Wheel
    from knuckle.run.travel import stops_in

    number = detail.summary.run_id
    wheel = Wheel(detail.summary.wheels[0])
    path = _picture_path(out, file_stem(detail, wheel), Picture.RESULT, svg, alone=True)
    draw(wheel, stops_in(detail.facts), detail.facts.get("rim_mm"), number, path, force)
    typer.echo(f"Wrote {path}")


def _outcome(detail: RunDetail, row: StreamRow, wheel: str | None) -> Outcome | None:
    """Return the last outcome of the wheel asked for, of the stream's, or of the only pod."""
    latest = detail.latest()
    for wanted in (wheel.strip().upper() if wheel else None, row.wheel):
        for result in latest:
            if result.outcome.wheel == wanted:
                return result.outcome
    return latest[-1].outcome if latest and len(detail.streams) == 1 and not wheel else None


def _has_steer(outcome: Outcome) -> bool:
    return any(rest.steer_deg is not None for rest in outcome.rests)


def _title(detail: RunDetail, wheel: str | None) -> str:
    from knuckle.report.summary import local_time

    summary = detail.summary
    on = f" on {wheel}" if wheel else ""
    return f"Run {summary.run_id}, {summary.kind}{on}, {local_time(summary.started_utc)}"


def _picture_path(out: Path | None, stem: str, picture: Picture, svg: bool, *, alone: bool) -> Path:
    suffix = ".svg" if svg else ".png"
    if out is None:
        return Path(f"{stem}-{picture.value}{suffix}")
    if not out.suffix:
        out = out.with_name(out.name + suffix)
    return out if alone else out.with_name(f"{out.stem}-{picture.value}{out.suffix}")
