"""``knuckle runs``: the list of what the store keeps."""

from __future__ import annotations

from typing import Annotated

import typer

from knuckle.cli.invocation import invocation
from knuckle.cli.stored import JsonOption, open_store, plus_minus, print_json


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("runs")(runs)


def runs(
    ctx: typer.Context,
    limit: Annotated[
        int, typer.Option("--limit", min=1, metavar="N", help="How many of the newest runs.")
    ] = 20,
    all_runs: Annotated[bool, typer.Option("--all", help="All of them.")] = False,
    as_json: JsonOption = False,
) -> None:
    """List the runs that the store keeps, newest first."""
    from knuckle.report.run_json import runs_to_json
    from knuckle.report.summary import list_lines

    console = invocation(ctx).console()
    with open_store(ctx) as store:
        total = store.run_count()
        summaries = store.runs(None if all_runs else limit)
    if as_json:
        print_json(runs_to_json(summaries))
        return
    if not summaries:
        typer.echo("The store keeps no runs yet. `knuckle demo` makes a first one.")
        return
    width = console.width if console.is_terminal else None
    for line in list_lines(summaries, plus_minus=plus_minus(console), width=width):
        typer.echo(line)
    if len(summaries) < total:
        typer.echo(f"{total - len(summaries)} earlier runs: `knuckle runs --all` lists them too.")
