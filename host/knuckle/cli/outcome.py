"""How a command ends: an outcome as text or JSON, and the exit code."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from knuckle.cli.exit_codes import DONE, REFUSED
from knuckle.cli.invocation import invocation

if TYPE_CHECKING:
    from collections.abc import Sequence

    from knuckle.model.result import Outcome


def print_outcome(
    ctx: typer.Context,
    outcome: Outcome,
    notices: Sequence[str],
    source: str,
    *,
    json_output: bool,
    budget: bool = False,
) -> int:
    """Print an outcome and return the exit code: 0, or 3 if refused.

    Parameters
    ----------
    notices : sequence of str
        What was left out in reading.
    source : str
        Where the readings came from.
    budget : bool
        Whether to print the uncertainty budgets in full.
    """
    if json_output:
        import json

        from knuckle import __version__
        from knuckle.report.results_json import outcome_to_json

        content = outcome_to_json(
            outcome, source=source, program_version=__version__, notices=list(notices)
        )
        typer.echo(json.dumps(content, indent=1, ensure_ascii=True))
    else:
        from knuckle.report.budget_text import with_budget
        from knuckle.report.outcome_text import outcome_lines

        console = invocation(ctx).console()
        for line in with_budget(outcome_lines(outcome, notices), outcome, budget):
            console.print(line, markup=False, soft_wrap=True)
    return REFUSED if outcome.refused is not None else DONE
