"""``knuckle jobs``: the list of alignments that the store keeps."""

from __future__ import annotations

from typing import Annotated

import typer

from knuckle.cli.stored import JsonOption, open_store, print_json


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("jobs")(jobs)


def jobs(
    ctx: typer.Context,
    limit: Annotated[
        int, typer.Option("--limit", min=1, metavar="N", help="How many of the newest jobs.")
    ] = 20,
    as_json: JsonOption = False,
) -> None:
    """List the jobs that the store keeps, newest first."""
    from knuckle.report.summary import local_time

    with open_store(ctx) as store:
        rows = store.jobs.jobs(limit=limit)
    if as_json:
        print_json(
            {
                "schema": 1,
                "jobs": [
                    {
                        "job": row.job_id,
                        "car": row.car_name,
                        "begun_utc": row.begun_utc,
                        "closed": row.closed,
                    }
                    for row in rows
                ],
            }
        )
        return
    if not rows:
        typer.echo("The store keeps no jobs yet. `knuckle align CAR` begins one.")
        return
    for row in rows:
        state = "closed" if row.closed else "open"
        line = f"job {row.job_id:<4} {local_time(row.begun_utc)}  {state:6}  {row.car_name}"
        typer.echo(line[:79])
