"""``knuckle history``: every figure of a car through all its jobs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knuckle.cli.jobs_named import car_named
from knuckle.cli.stored import JsonOption, open_store, print_json
from knuckle.errors import UsageError

if TYPE_CHECKING:
    from knuckle.job.book import JobView
    from knuckle.job.figures import Figure
    from knuckle.model.result import Quantity


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("history")(history)


def history(
    ctx: typer.Context,
    car: Annotated[str, typer.Argument(metavar="CAR", help="The car's name, or its file.")],
    figure: Annotated[
        str | None,
        typer.Option(
            "--figure",
            metavar="NAME",
            help="One figure alone: camber, caster, sai, toe, total_toe, thrust, ...",
            show_default=False,
        ),
    ] = None,
    wheel: Annotated[
        str | None,
        typer.Option(
            "--wheel", metavar="PLACE", help="LF, RF, LR, RR, front or rear.", show_default=False
        ),
    ] = None,
    limit: Annotated[
        int, typer.Option("--limit", min=1, metavar="N", help="How many of the newest jobs.")
    ] = 10,
    as_json: JsonOption = False,
) -> None:
    """Show how a car's figures went from job to job, and what of it is a change.

    Each line is compared with the one above it; errors that both share cancel.
    """
    from knuckle.job.book import view_of

    quantity = None if figure is None else _quantity(figure)
    place = None if wheel is None else _place(wheel)
    with open_store(ctx) as store:
        row = car_named(store, car)
        jobs = store.jobs.jobs(row.car_id, limit=limit)
        views = [view_of(store, job.job_id) for job in reversed(jobs)]
    found = _gathered(views, quantity, place)
    if as_json:
        print_json(_as_json(row.name, found))
        return
    typer.echo(f"{row.name}: {len(views)} job{'' if len(views) == 1 else 's'}, oldest first.")
    if not found:
        typer.echo("Nothing of that was read.")
    for (where, what), times in found.items():
        typer.echo()
        for line in _lines(where, what, times):
            typer.echo(line)


def _quantity(text: str) -> Quantity:
    from knuckle.model.result import Quantity

    word = text.strip().lower().replace("-", "_").replace(" ", "_")
    word = {"sai": Quantity.SAI.value, "cross_sai": Quantity.CROSS_SAI.value}.get(word, word)
    if word not in set(Quantity):
        raise UsageError(
            f"{text!r} is no figure.",
            "",
            "Write camber, caster, sai, toe, total_toe, thrust, included_angle or cross_camber.",
        )
    return Quantity(word)


def _place(text: str) -> str:
    word = text.strip()
    for place in ("LF", "RF", "LR", "RR", "front", "rear"):
        if word.casefold() == place.casefold():
            return place
    raise UsageError(f"{text!r} is no wheel or axle.", "", "Write LF, RF, LR, RR, front or rear.")


Found = dict[tuple[str, "Quantity"], list[tuple["JobView", "Figure"]]]


def _gathered(views: list[JobView], quantity: Quantity | None, place: str | None) -> Found:
    found: Found = {}
    for view in views:
        for row in view.figures:
            if quantity in (None, row.quantity) and place in (None, row.place):
                times = found.setdefault((row.place, row.quantity), [])
                times += [(view, figure) for figure in row.rounds]
    return found


def _lines(where: str, what: Quantity, times: list[tuple[JobView, Figure]]) -> Iterator[str]:
    from knuckle.alignment.compare import MATTERS_DEG, verdict_of
    from knuckle.job.figures import change_between
    from knuckle.report.alignment_words import name_of
    from knuckle.report.figures import with_uncertainty

    yield f"{name_of(what)} {where}, {times[0][1].result.unit}"
    last: Figure | None = None
    for view, figure in times:
        started = [view.runs[run].started_utc for run in figure.runs if run in view.runs]
        when = max(started, default=view.row.begun_utc)[:10]
        shown = with_uncertainty(figure.result.value, figure.result.expanded_uncertainty)
        line = f"  job {view.row.job_id:<4} {when}  {figure.words:8} {shown:17}"
        if last is not None:
            change = change_between(last, figure)
            verdict = verdict_of(change, MATTERS_DEG.get(what))
            line += (
                f" {verdict.value}: {with_uncertainty(change.value, change.expanded_uncertainty)}"
            )
        yield line.rstrip()
        last = figure


def _as_json(car: str, found: Found) -> dict[str, Any]:
    from knuckle.store.records import without_nan

    figures = [
        {
            "quantity": what.value,
            "place": where,
            "times": [
                {
                    "job": view.row.job_id,
                    "round": figure.words,
                    "value": figure.result.value,
                    "expanded_uncertainty": figure.result.expanded_uncertainty,
                    "unit": figure.result.unit,
                    "runs": list(figure.runs),
                }
                for view, figure in times
            ],
        }
        for (where, what), times in found.items()
    ]
    plain: dict[str, Any] = without_nan({"schema": 1, "car": car, "figures": figures})
    return plain
