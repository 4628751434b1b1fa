"""``knuckle spin``: the spin axis of a wheel by turning it, hands-free."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from knuckle.cli.cautions import SPIN_LIFTED, SPIN_ROLLED
from knuckle.cli.invocation import invocation
from knuckle.cli.live import JsonOption, console_for, measure_live, sim_with, simulated_facts
from knuckle.cli.opening import open_for_eyes
from knuckle.cli.options import BudgetOption, PodOption, RateOption, WheelOption
from knuckle.cli.pod_choice import choose_pod
from knuckle.cli.priors import with_priors
from knuckle.cli.request import CalibrationOption, UncalibratedOption, read_calibration

if TYPE_CHECKING:
    from knuckle.estimate.priors import Priors
    from knuckle.run.measurement import Measurement
    from knuckle.run.view import View
    from knuckle.store.database import Store


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("spin", help="Measure how the pod sits on a wheel, by turning the wheel.")(
        with_priors(spin)
    )


def spin(
    ctx: typer.Context,
    *,
    priors: Priors,
    wheel: WheelOption,
    pod: PodOption = None,
    seats: Annotated[
        int,
        typer.Option(
            "--seats",
            min=1,
            max=12,
            metavar="N",
            help="Seat the pod on the rim N times, turned on it: tells runout and mount apart.",
        ),
    ] = 1,
    rolled: Annotated[
        bool, typer.Option("--rolled", help="The car is rolled; the wheel stays on the ground.")
    ] = False,
    rate: RateOption = None,
    calibration: CalibrationOption = None,
    uncalibrated: UncalibratedOption = False,
    budget: BudgetOption = False,
    json_output: JsonOption = False,
) -> int:
    """Follow the wheel through a turn, and show tilt and yaw of its spin axis.

    Exit code 3 if the readings do not support a result.
    """
    here = invocation(ctx)
    given = read_calibration(ctx, calibration, uncalibrated)
    address = choose_pod(pod, here.settings, console_for(here, json_output))

    from knuckle.analysis.request import Request
    from knuckle.run.method_rests import Task
    from knuckle.run.spin import spin_measurement

    address = sim_with(address, {"spinning.seats": str(seats)})
    link = open_for_eyes(here, address, wheel, "spin")
    facts = {"rolled": rolled, **simulated_facts(address, link)}
    task = Task("spin", Request(wheel, priors), given, uncalibrated, facts=facts, rate_hz=rate)

    def begin(view: View, store: Store) -> Measurement:
        return spin_measurement(task, link, view, store, seats=seats, rolled=rolled)

    said = SPIN_ROLLED if rolled else SPIN_LIFTED
    return measure_live(
        ctx, said, begin, description=link.description(), json_output=json_output, budget=budget
    )
