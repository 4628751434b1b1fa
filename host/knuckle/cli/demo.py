"""``knuckle demo``: the main job on an invented car, seen live, beside the truth."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knuckle.cli.exit_codes import INTERRUPTED
from knuckle.cli.invocation import Invocation, invocation
from knuckle.cli.live import exit_code, run_to_end, sim_in_order
from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel
from knuckle.quantities import plain_number

if TYPE_CHECKING:
    from knuckle.links.sim import SimLink
    from knuckle.model.result import Outcome
    from knuckle.run.measurement import Measurement, Report
    from knuckle.run.view import View
    from knuckle.sim.world import PodOnCar
    from knuckle.store.database import Store

SCENARIO = "demo"
FAST_FORWARD = 3.0


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("demo")(demo)


def demo(
    ctx: typer.Context,
    *,
    pod: Annotated[
        str | None,
        typer.Option(
            "--pod",
            metavar="ADDRESS",
            help="A simulated pod, e.g. sim:drifting?seed=3; avr: runs the board's own program.",
            show_default=False,
        ),
    ] = None,
    scenario: Annotated[
        str | None,
        typer.Option(
            metavar="NAME", help="Simulated situation; the invented car of `demo` if not given."
        ),
    ] = None,
    seed: Annotated[
        int | None, typer.Option(min=0, metavar="N", help="For other draws of chance.")
    ] = None,
    speed: Annotated[
        float | None,
        typer.Option(
            metavar="N",
            parser=plain_number,
            help="1 is real time, 0 as fast as it goes; 3 on a terminal, else 0.",
            show_default=False,
        ),
    ] = None,
) -> int:
    """Try it without hardware: an invented car, its camber and a sweep, beside the truth.

    Camber of the four wheels and a sweep of the left front one, fast-forward. The runs are
    kept in the store like any others.
    """
    here = invocation(ctx)
    address = demo_address(pod, scenario, seed)
    if speed is None:
        live = here.console().is_terminal and not here.settings.plain
        speed = FAST_FORWARD if live else 0.0
    if not 0.0 <= speed <= 1000.0:
        raise UsageError(f"--speed {speed:g}: from 0 (as fast as it goes) to 1000.")
    return _Demo(here, address, speed).carry_out()


def demo_address(pod: str | None, scenario: str | None, seed: int | None) -> str:
    """Return the address of the simulated pod.

    Raises
    ------
    UsageError
        If it is no simulated pod, or scenario or seed are named twice.
    """
    from knuckle.links.address import Address, parse_address
    from knuckle.links.schemes import SIMULATED

    parts = parse_address(pod or "sim:")
    if parts.scheme not in SIMULATED:
        raise UsageError(
            f"The demonstration needs a simulated pod; {pod!r} is none.",
            "Its truth is not known.",
            "Say sim: or avr:, or measure with `knuckle camber` and `knuckle sweep`.",
        )
    if scenario is not None and parts.place:
        raise UsageError("--scenario and --pod both name a scenario: choose.")
    options = dict(parts.options)
    if seed is not None:
        if "seed" in options:
            raise UsageError("--seed and --pod both name a seed: choose.")
        options["seed"] = str(seed)
    options.pop("speed", None)
    return str(Address(parts.scheme, scenario or parts.place or SCENARIO, options))


@dataclass(frozen=True, slots=True)
class _Row:
    """A result beside the truth."""

    wheel: str
    name: str
    value: float
    expanded_uncertainty: float
    truth: float

    @property
    def inside(self) -> bool:
        return abs(self.value - self.truth) <= self.expanded_uncertainty


def _pod(link: SimLink) -> PodOnCar:
    from knuckle.sim.world import PodOnCar

    assert isinstance(link.pod, PodOnCar)
    return link.pod


class _Demo:
    """The two measurements and what is told of them."""

    def __init__(self, here: Invocation, address: str, speed: float) -> None:
        self._here = here
        self._address = address
        self._speed = speed
        self._rows: list[_Row] = []
        self._rigid_caster_deg = 0.0

    def carry_out(self) -> int:
        from knuckle.cli.live_view import TerminalView
        from knuckle.store.database import Store

        here, say = self._here, typer.echo
        order = here.settings.order
        worst = 0
        reports: list[Report] = []
        with Store(here.settings.store) as store:
            links = [
                self._link(sim_in_order(self._address, order), order[0], "camber_all"),
                self._link(self._address, Wheel.LF, "sweep"),
            ]
            first = links[0]
            scenario = _pod(first).scenario
            say(f"Simulated car: {scenario.car.name}.")
            if first.address.startswith("avr:"):
                say("Pod: the board's own program, run instruction by instruction in an emulator.")
            say(f"Scenario {first.scenario}, seed {first.seed}: the same each time. Ctrl-C ends.")
            steps = (
                ("Camber: one pod is carried from wheel to wheel; nobody presses a key.", "Demo: "),
                ("Sweep of the left front wheel, from the driver's seat.", "Demo: "),
            )
            for link, (words, prefix) in zip(links, steps, strict=True):
                say("")
                say(words)
                with here.screen() as screen, here.sounds() as sounds:
                    view = TerminalView(screen, sounds, prefix)
                    measurement = self._measurement(link, view, store, order)
                    report, interrupted = run_to_end(measurement)
                reports.append(report)
                for outcome in report.outcomes:
                    self._compare(outcome, link)
                if interrupted:
                    self._tell(reports, None)
                    return INTERRUPTED
                worst = max(worst, exit_code(report, interrupted=False))
            plot = self._plot(reports[-1], store)
        self._tell(reports, plot)
        return worst

    def _link(self, address: str, wheel: Wheel, purpose: str) -> SimLink:
        from knuckle.links.schemes import open_link
        from knuckle.links.sim import SimLink

        link = open_link(address, wheel=wheel, purpose=purpose, speed=self._speed)
        assert isinstance(link, SimLink)
        return link

    def _measurement(
        self, link: SimLink, view: View, store: Store, order: tuple[Wheel, ...]
    ) -> Measurement:
        from knuckle.analysis.request import Request
        from knuckle.run.camber import camber_measurement
        from knuckle.run.method_rests import Task
        from knuckle.run.sweep import sweep_measurement

        facts: dict[str, Any] = {"scenario": link.scenario, "seed": link.seed, "demo": True}
        if _pod(link).scenario.purpose == "sweep":
            task = Task("sweep", Request(Wheel.LF), facts={**facts, "driver": "in"})
            return sweep_measurement(task, link, view, store)
        task = Task("camber", Request(order[0]), facts={**facts, "driver": "out"})
        return camber_measurement(task, order, link, view, store)

    def _compare(self, outcome: Outcome, link: SimLink) -> None:
        from knuckle.model.result import Quantity

        truth = _pod(link).scenario.truth(Wheel(outcome.wheel))
        self._rigid_caster_deg = truth.caster_deg
        true_deg = {
            Quantity.CAMBER: truth.camber_deg,
            Quantity.CASTER: _pod(link).truth().caster_as_swept_deg,
            Quantity.SAI: truth.sai_deg,
        }
        names = {Quantity.CAMBER: "camber", Quantity.CASTER: "caster", Quantity.SAI: "SAI"}
        for quantity, result in outcome.results.items():
            self._rows.append(
                _Row(
                    outcome.wheel,
                    names[quantity],
                    result.value,
                    result.expanded_uncertainty,
                    true_deg[quantity],
                )
            )

    def _plot(self, report: Report, store: Store) -> Path | None:
        """Draw the sweep beside the store; None if there is nothing to draw."""
        from knuckle.report import plot as plots
        from knuckle.rests.detector import find_rests
        from knuckle.store.recording import block_of_run

        if not report.outcomes or report.run is None:
            return None
        outcome = report.outcomes[0]
        if not any(rest.steer_deg is not None for rest in outcome.rests):
            return None
        folder = self._here.settings.store.parent / "plots"
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"run-{report.run}-{outcome.wheel}-result.png"
        rests = find_rests(block_of_run(store, report.run, 0))
        title = f"Run {report.run}, simulated sweep of {outcome.wheel}"
        plots.save(plots.plot_sweep(outcome, rests=rests, title=title), path, overwrite=True)
        return path

    def _tell(self, reports: list[Report], plot: Path | None) -> None:
        from knuckle.report.outcome_text import WIDTH
        from knuckle.terminal.glyphs import glyphs_for

        say = typer.echo
        plus_minus = glyphs_for(self._here.console().encoding).plus_minus
        if self._rows:
            say("")
            say("Measured, beside the truth of the simulated car (deg; intervals cover 95 %):")
            say("")
            say(f"  {'wheel':<6} {'':<7} {'measured':>16}  {'truth':>8}   inside")
        for row in self._rows:
            measured = f"{row.value:+.2f} {plus_minus} {row.expanded_uncertainty:.2f}"
            inside = "yes" if row.inside else "NO"
            say(f"  {row.wheel:<6} {row.name:<7} {measured:>16}  {row.truth:>+8.2f}   {inside}")
        if self._rows:
            inside_count = sum(row.inside for row in self._rows)
            say("")
            say(f"{inside_count} of {len(self._rows)} inside; by chance 1 in 20 is not.")
        if any(row.name == "caster" for row in self._rows):
            say("Caster is as swept, on its springs: the body rolls as the wheels steer.")
            say(f"With the body held still the true caster is {self._rigid_caster_deg:+.2f} deg.")
        for report in reports:
            for outcome in report.outcomes:
                if outcome.refused is not None:
                    say(f"{outcome.wheel} {outcome.measure}: no result, {outcome.refused.code}.")
                    for line in textwrap.wrap(outcome.refused.text, WIDTH - 2):
                        say(f"  {line}")
        kept = [str(report.run) for report in reports if report.run is not None]
        if not kept:
            return
        say("")
        runs = f"run{'s' if len(kept) > 1 else ''} {' and '.join(kept)}"
        say(f"Kept as {runs} in {self._here.settings.store}")
        if plot is not None:
            say(f"Plot: {plot}")
        say(f"Next: `knuckle show {kept[-1]}` tells all of it; `knuckle runs` lists all.")
