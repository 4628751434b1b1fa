"""``knuckle note``: words added to a run."""

from __future__ import annotations

from typing import Annotated

import typer

from knuckle.cli.stored import RunArgument, open_store, run_number


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("note")(note)


def note(
    ctx: typer.Context,
    run: RunArgument,
    text: Annotated[list[str], typer.Argument(metavar="TEXT", help="What to note.")],
) -> None:
    """Add a note to a run. Notes are kept for good; a later one does not replace an earlier."""
    with open_store(ctx, read_only=False) as store:
        number = run_number(store, run)
        store.add_note(number, " ".join(text))
    typer.echo(f"Noted at run {number}.")
