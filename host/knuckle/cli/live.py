"""What `camber`, `sweep` and `demo` share: from a measurement to its report and exit code."""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knuckle.cli.exit_codes import DONE, FAILED, INTERRUPTED, REFUSED
from knuckle.cli.invocation import Invocation, invocation
from knuckle.cli.one_loop import carry_out
from knuckle.errors import MeasurementRefused, UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from knuckle.model.wheel import Wheel
    from knuckle.run.measurement import Measurement, Report
    from knuckle.run.measurement_pair import PairMeasurement
    from knuckle.run.view import View
    from knuckle.store.database import Store
    from knuckle.terminal.screen import Screen

WIDTH = 80

DriverOption = Annotated[
    str | None,
    typer.Option(
        "--driver",
        metavar="in|out",
        help="Whether somebody sits in the driver's seat: it changes camber, and is recorded.",
        show_default=False,
    ),
]
JsonOption = Annotated[
    bool,
    typer.Option(
        "--json", help="Print one JSON object (docs/results.md); the live view to standard error."
    ),
]


def read_driver(given: str | None, default: str) -> str:
    """Read where the driver is.

    Raises
    ------
    UsageError
        If it is neither in nor out.
    """
    word = (given or default).strip().lower()
    if word not in ("in", "out"):
        raise UsageError(f"--driver takes in or out, not {given!r}.")
    return word


def simulated_facts(address: str, link: Any) -> dict[str, Any]:
    """Return what a simulated run must keep so that it can be repeated."""
    from knuckle.links.address import parse_address
    from knuckle.links.schemes import SIMULATED

    if parse_address(address).scheme not in SIMULATED:
        return {}
    return {"scenario": link.scenario, "seed": link.seed}


def console_for(here: Invocation, json_output: bool) -> Console:
    """Return where to show what goes on: standard error where the output is for JSON."""
    if not json_output:
        return here.console()
    from rich.console import Console

    return Console(file=sys.stderr, highlight=False)


def screen_for(here: Invocation, json_output: bool) -> Screen:
    """Return the live view."""
    from knuckle.terminal.screen import make_screen

    return make_screen(console_for(here, json_output), plain=here.settings.plain)


def measure_live(
    ctx: typer.Context,
    cautions: Sequence[str],
    begin: Callable[[View, Store], Measurement | PairMeasurement],
    *,
    description: str,
    json_output: bool,
    budget: bool = False,
) -> int:
    """Carry out a measurement, print what has come of it, and return the exit code.

    Parameters
    ----------
    cautions : sequence of str
        Said first.
    begin : callable
        From view and store to the measurement.
    description : str
        Of the link.
    json_output : bool
    budget : bool
        Whether to print the uncertainty budgets in full.
    """
    from knuckle.cli.live_view import TerminalView
    from knuckle.store.database import Store

    here = invocation(ctx)
    with (
        Store(here.settings.store, job=here.job) as store,
        screen_for(here, json_output) as screen,
        here.sounds() as sounds,
    ):
        for line in (*cautions, *description.splitlines()):
            screen.say(line)
        measurement = begin(TerminalView(screen, sounds), store)
        report, interrupted = run_to_end(measurement)
    tell(
        ctx,
        report,
        here.settings.store,
        interrupted=interrupted,
        json_output=json_output,
        budget=budget,
    )
    return exit_code(report, interrupted)


def run_to_end(measurement: Measurement | PairMeasurement) -> tuple[Report, bool]:
    """Run a measurement; return its report, and whether it was interrupted.

    Raises
    ------
    KeyboardInterrupt
        If it was interrupted before there was anything to report.
    """
    try:
        return carry_out(measurement.carry_out()), False
    except KeyboardInterrupt:
        if measurement.report is None:
            raise
        return measurement.report, True


def exit_code(report: Report, interrupted: bool) -> int:
    """Return the program's exit code for a report."""
    if interrupted:
        return INTERRUPTED
    if report.ended is not None:
        return FAILED
    refused = not report.outcomes or any(o.refused is not None for o in report.outcomes)
    return REFUSED if refused else DONE


def tell(
    ctx: typer.Context,
    report: Report,
    store: Path,
    *,
    interrupted: bool,
    json_output: bool,
    budget: bool = False,
) -> None:
    """Print a report."""
    aside = sys.stderr if json_output else sys.stdout
    for line in _opening_lines(report, interrupted=interrupted):
        typer.echo(line, file=aside)
    source = None if report.run is None else f"run {report.run}"
    tell_outcomes(ctx, report, source, json_output=json_output, budget=budget)
    for line in _closing_lines(report, store):
        typer.echo(line, file=aside)


def tell_outcomes(
    ctx: typer.Context, report: Report, source: str | None, *, json_output: bool, budget: bool
) -> None:
    """Print the outcomes of a report, as text or as one JSON object.

    Parameters
    ----------
    source : str or None
        Where the readings came from.
    """
    if json_output:
        typer.echo(json.dumps(_as_json(report, source), indent=1, ensure_ascii=True))
    else:
        from knuckle.report.budget_text import with_budget
        from knuckle.report.outcome_text import outcome_lines

        console = invocation(ctx).console()
        for outcome in report.outcomes:
            console.print()
            for line in with_budget(outcome_lines(outcome), outcome, budget):
                console.print(line, markup=False, soft_wrap=True, emoji=False)
        console.print()


def _opening_lines(report: Report, *, interrupted: bool) -> list[str]:
    """Say first what stands behind a result that is not what was asked for."""
    if report.ended is not None:
        return ["", *textwrap.wrap(f"The link ended before the measurement: {report.ended}", WIDTH)]
    if interrupted and report.outcomes:
        return ["", "Stopped early: this is what could be measured from the part captured."]
    if not report.complete and report.outcomes:
        return [
            "",
            "INCOMPLETE: the pod's data ended before everything asked for had been taken.",
        ]
    return []


def _closing_lines(report: Report, store: Path) -> list[str]:
    lines = list(report.notices)
    swept = any(o.measure == "sweep" and o.results for o in report.outcomes)
    if swept and not report.complete:
        lines.append("The return to straight ahead is missing: a slip of the mount may go unseen.")
    if report.run is None:
        lines.append("Nothing was captured.")
    else:
        state = report.state.value
        if not report.complete and state != "interrupted":
            state += ", incomplete"
        lines.append(f"Run {report.run} ({state}) is kept in {store}")
    return lines


def _as_json(report: Report, source: str | None) -> dict[str, Any]:
    from knuckle import __version__
    from knuckle.report.results_json import outcome_to_json

    objects = [
        outcome_to_json(
            outcome, source=source, program_version=__version__, notices=list(report.notices)
        )
        for outcome in report.outcomes
    ]
    if len(objects) == 1:
        return objects[0]
    return {"schema": 1, "source": source, "program_version": __version__, "wheels": objects}


def refused_as_json(measure: str, wheel: Wheel, refusal: MeasurementRefused) -> int:
    """Print a refusal as the object of docs/results.md; return the exit code."""
    from knuckle.model.result import Notice, Outcome
    from knuckle.run.measurement import Report
    from knuckle.store.rows import RunState

    outcome = Outcome(measure, wheel.value, {}, refused=Notice(refusal.code, str(refusal)))
    typer.echo(
        json.dumps(
            _as_json(Report(None, RunState.REFUSED, (outcome,)), None), indent=1, ensure_ascii=True
        )
    )
    return REFUSED


def sim_in_order(address: str, order: Sequence[Wheel]) -> str:
    """Let a simulated person walk round the car in the order that is asked for."""
    return sim_with(address, {"script.wheels": ",".join(wheel.value for wheel in order)})


def sim_with(address: str, wanted: Mapping[str, str]) -> str:
    """Let a simulated person do what is asked for, unless the address says otherwise."""
    from knuckle.links.address import Address, parse_address

    parts = parse_address(address)
    if parts.scheme not in ("sim", "avr"):
        return address
    missing = {key: value for key, value in wanted.items() if key not in parts.options}
    if not missing:
        return address
    return str(Address(parts.scheme, parts.place, {**parts.options, **missing}))
