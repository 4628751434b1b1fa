"""``knuckle show``: all that is known of a run."""

from __future__ import annotations

import typer

from knuckle.cli.invocation import invocation
from knuckle.cli.options import BudgetOption
from knuckle.cli.stored import (
    JsonOption,
    RunArgument,
    open_store,
    plus_minus,
    print_json,
    run_number,
    sample_clocks,
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("show")(show)


def show(
    ctx: typer.Context,
    run: RunArgument,
    budget: BudgetOption = False,
    as_json: JsonOption = False,
) -> None:
    """Show all that is known of a run: results with their budgets, rests, streams, notes."""
    from knuckle.report.run_json import detail_to_json
    from knuckle.report.summary import detail_lines

    with open_store(ctx) as store:
        detail = store.run(run_number(store, run))
        clocks = sample_clocks(store, detail)
    if as_json:
        print_json(detail_to_json(detail, clocks))
        return
    sign = plus_minus(invocation(ctx).console())
    for line in detail_lines(detail, plus_minus=sign, clocks=clocks, budget=budget):
        typer.echo(line)
