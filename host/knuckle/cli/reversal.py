"""``knuckle reversal``: the pod's own zero, by turning it end for end on any flat surface."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from knuckle.cli.cautions import REVERSAL
from knuckle.cli.invocation import invocation
from knuckle.cli.live import JsonOption, console_for, measure_live, sim_with, simulated_facts
from knuckle.cli.mount import SquarenessOption, with_squareness
from knuckle.cli.opening import open_for_eyes
from knuckle.cli.options import BudgetOption, PodOption, RateOption
from knuckle.cli.pod_choice import choose_pod
from knuckle.cli.priors import with_priors
from knuckle.cli.request import CalibrationOption, UncalibratedOption, read_calibration
from knuckle.model.wheel import Wheel

if TYPE_CHECKING:
    from knuckle.estimate.priors import Priors
    from knuckle.run.measurement import Measurement
    from knuckle.run.view import View
    from knuckle.store.database import Store


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("reversal", help="Zero the pod by turning it end for end on a flat surface.")(
        with_priors(reversal)
    )


def reversal(
    ctx: typer.Context,
    *,
    priors: Priors,
    pod: PodOption = None,
    readings: Annotated[
        int,
        typer.Option(
            "--readings",
            min=2,
            max=40,
            metavar="N",
            help="How often the pod is laid down, every other time turned end for end.",
        ),
    ] = 2,
    squareness: SquarenessOption = None,
    rate: RateOption = None,
    calibration: CalibrationOption = None,
    uncalibrated: UncalibratedOption = False,
    budget: BudgetOption = False,
    json_output: JsonOption = False,
) -> int:
    """Guide from placing to placing, and show zero and slope with their uncertainty.

    Exit code 3 if the readings do not support a result.
    """
    here = invocation(ctx)
    given = read_calibration(ctx, calibration, uncalibrated)

    from knuckle.analysis.request import Request

    request = with_squareness(Request(Wheel.LF, priors), squareness)
    address = choose_pod(pod, here.settings, console_for(here, json_output))

    from knuckle.run.method_rests import Task
    from knuckle.run.spin import reversal_measurement

    address = sim_with(address, {"spinning.placings": str(readings)})
    link = open_for_eyes(here, address, Wheel.LF, "reversal")
    facts = simulated_facts(address, link)
    task = Task("reversal", request, given, uncalibrated, facts=facts, rate_hz=rate)

    def begin(view: View, store: Store) -> Measurement:
        return reversal_measurement(task, link, view, store, readings=readings)

    return measure_live(
        ctx, REVERSAL, begin, description=link.description(), json_output=json_output, budget=budget
    )
