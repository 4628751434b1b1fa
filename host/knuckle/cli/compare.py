"""``knuckle compare``: two times of a car side by side, or its two sides."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from knuckle.cli.answers import say
from knuckle.cli.jobs_named import times_named
from knuckle.cli.stored import JsonOption, open_store, print_json
from knuckle.errors import UsageError

if TYPE_CHECKING:
    from knuckle.job.beside import Beside, Comparison, Times
    from knuckle.job.figures import Figure

TimeHelp = "JOB, JOB:before or JOB:after; JOB is its number, last, or a car: its newest job."


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("compare")(compare)


def compare(
    ctx: typer.Context,
    first: Annotated[str, typer.Argument(metavar="[FIRST]", help=TimeHelp)] = "last",
    second: Annotated[
        str | None, typer.Argument(metavar="[SECOND]", help="The same; without it, FIRST's rounds.")
    ] = None,
    sides: Annotated[
        bool, typer.Option("--sides", help="Left against right, at one time.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Show what has changed: before against after, one job against another, left against right.

    Errors that both readings share cancel; a difference counts only if the rest cannot explain it.
    """
    from dataclasses import replace

    from knuckle.job.beside import compare_sides, compare_times

    if sides and second is not None:
        raise UsageError("--sides compares one time.", "", "Leave the second out.")
    with open_store(ctx) as store:
        one = times_named(store, first)
        other = None if second is None else times_named(store, second)
    if sides:
        found = compare_sides(one)
        heading = f"{_name(one)}: left less right"
    else:
        if other is None:
            one, other = replace(one, which="before"), replace(one, which="after")
        found = compare_times(one, other)
        heading = f"{_name(other)} less {_name(one)}"
    if as_json:
        print_json(_as_json(heading, found))
        return
    _print(heading, found, sides)


def _name(times: Times) -> str:
    which = "" if times.which == "now" else f", {times.which}"
    return f"job {times.view.row.job_id} on {times.view.car.name}{which}"


def _print(heading: str, found: Comparison, sides: bool) -> None:
    say(f"{heading[0].upper()}{heading[1:]}.")
    for words in found.unlike:
        say(f"NOT LIKE WITH LIKE: {words}.", "  ! ", "    ")
    if not found.rows:
        say(
            "Only one side was read."
            if sides
            else "Nothing was read both times: `knuckle align CAR` reads again what was turned, "
            "`knuckle jobs` lists other jobs.",
            "  ",
        )
    else:
        ends = ("left", "right") if sides else ("first", "second")
        typer.echo(f"  {'':26}{ends[0]:>9}{ends[1]:>9}   {'difference':16} verdict")
        for row in found.rows:
            typer.echo(_line(row))
    if found.only_once and found.rows:
        what = "side" if sides else "time"
        say(f"Only one {what} has: {', '.join(map(_tidy, found.only_once))}.", "  ")


def _tidy(name: str) -> str:
    return name.replace("steering axis inclination", "inclination")


def _line(row: Beside) -> str:
    from knuckle.report.alignment_words import name_of
    from knuckle.report.figures import decimals_for, number, with_uncertainty

    decimals = min(max(decimals_for(row.difference.expanded_uncertainty), 2), 3)
    ends = [number(figure.result.value, decimals) for figure in (row.first, row.second)]
    difference = with_uncertainty(
        row.difference.value, row.difference.expanded_uncertainty, decimals=decimals
    )
    name = name_of(row.quantity).lower().replace("steering-axis ", "")
    name = name if name.startswith(row.place) else f"{row.place} {name}"
    return f"  {name:26}{ends[0]:>9}{ends[1]:>9}   {difference:16} {row.verdict.value}"


def _as_json(heading: str, found: Comparison) -> dict[str, Any]:
    from knuckle.report.results_json import result_to_json
    from knuckle.store.records import without_nan

    def end(figure: Figure) -> dict[str, Any]:
        return {
            "value": figure.result.value,
            "expanded_uncertainty": figure.result.expanded_uncertainty,
            "runs": list(figure.runs),
        }

    plain: dict[str, Any] = without_nan(
        {
            "schema": 1,
            "compared": heading,
            "unlike": list(found.unlike),
            "only_once": list(found.only_once),
            "figures": [
                {
                    "quantity": row.quantity.value,
                    "place": row.place,
                    "first": end(row.first),
                    "second": end(row.second),
                    "difference": result_to_json(row.difference),
                    "verdict": row.verdict.value,
                }
                for row in found.rows
            ],
        }
    )
    return plain
