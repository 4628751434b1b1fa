"""The plots in the report of a job: each sweep's camber against steer."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Final

from knuckle.job.book import JobView
from knuckle.model.result import Outcome
from knuckle.report.alignment_page import Plot
from knuckle.report.plot import DOTS_PER_INCH, plot_sweep

MOST: Final = 12
"""So many plots at most: the newest."""


def plots_of(view: JobView) -> tuple[Plot, ...]:
    """Return a plot of each sweep of the job with a result and a known steer angle."""
    return tuple(_plots(view))[-MOST:]


def _plots(view: JobView) -> Iterator[Plot]:
    for entered in view.state.readings:
        run = view.runs.get(-1 if entered.entry.run_id is None else entered.entry.run_id)
        for row in () if run is None else run.results:
            outcome = row.outcome
            if outcome.measure == "sweep" and outcome.refused is None and _has_steer(outcome):
                assert run is not None
                when = run.started_utc[:16].replace("T", " ")
                yield Plot(
                    _png(outcome, f"Sweep of {outcome.wheel}"),
                    f"Camber of {outcome.wheel} against its steer angle, with the fitted axis",
                    f"Run {run.run_id}, {outcome.wheel}, {when} UTC",
                )


def _has_steer(outcome: Outcome) -> bool:
    return any(rest.steer_deg is not None for rest in outcome.rests)


def _png(outcome: Outcome, title: str) -> bytes:
    buffer = io.BytesIO()
    plot_sweep(outcome, title).savefig(buffer, format="png", dpi=DOTS_PER_INCH)
    return buffer.getvalue()
