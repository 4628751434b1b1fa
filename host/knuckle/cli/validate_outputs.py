"""Where ``knuckle validate`` tells what it found."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import typer

from knuckle.cli.invocation import invocation
from knuckle.cli.stored import print_json


class Outputs:
    """Where a validation is told: terminal or JSON, report, plots."""

    def __init__(
        self, ctx: typer.Context, report: Path | None, plots: Path | None, as_json: bool
    ) -> None:
        self._ctx = ctx
        self._report = report
        self._plots = plots
        self.as_json = as_json

    def show(self, run: int | None, record: dict[str, Any], notices: tuple[str, ...]) -> None:
        """Print the record and write its report."""
        from knuckle.report.plot_validation import write_plots
        from knuckle.report.validation_html import write_report
        from knuckle.report.validation_text import validation_lines

        here = invocation(self._ctx)
        path = self._report or here.settings.store.parent / f"validation-run-{run}.html"
        write_report(record, f"run {run}", path)
        written = [path]
        if self._plots is not None:
            written += write_plots(record, self._plots)
        if self.as_json:
            print_json(
                {
                    "schema": 1,
                    "source": f"run {run}",
                    "validation": record,
                    "notices": list(notices),
                    "report": str(path),
                }
            )
            return
        console = here.console()
        console.print()
        for line in (*validation_lines(record), *notices):
            console.print(line, markup=False, soft_wrap=True, emoji=False)
        console.print()
        for each in written:
            typer.echo(f"Wrote {each}")
