"""``knuckle camber``: camber of one wheel or of all, hands-free."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from knuckle.cli.cautions import CAMBER, seat_line
from knuckle.cli.invocation import invocation
from knuckle.cli.live import (
    DriverOption,
    JsonOption,
    console_for,
    measure_live,
    read_driver,
    sim_in_order,
    simulated_facts,
)
from knuckle.cli.mount import NoSpinOption, NoZeroOption, SameMountOption, choose_mount
from knuckle.cli.opening import open_for_eyes
from knuckle.cli.options import BudgetOption, PodOption, RateOption, read_wheel
from knuckle.cli.pod_choice import choose_pod
from knuckle.cli.priors import with_priors
from knuckle.cli.request import CalibrationOption, UncalibratedOption, read_calibration
from knuckle.config import wheels_in_order
from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel

if TYPE_CHECKING:
    from knuckle.config import Settings
    from knuckle.estimate.priors import Priors
    from knuckle.run.measurement import Measurement
    from knuckle.run.view import View
    from knuckle.store.database import Store


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("camber", help="Measure camber, live: of one wheel, or of all with one pod.")(
        with_priors(camber)
    )


def chosen_order(
    wheel: Wheel | None, all_wheels: bool, order: str | None, settings: Settings
) -> tuple[Wheel, ...]:
    """Return the wheels to measure, in order.

    Raises
    ------
    UsageError
        If neither one wheel nor all are asked for, or both, or the order cannot be read.
    """
    everything = all_wheels or order is not None
    if wheel is not None and everything:
        raise UsageError("--wheel names one wheel; --all and --order ask for several: choose.")
    if wheel is not None:
        return (wheel,)
    if not everything:
        raise UsageError(
            "Which wheel?", "", "Say --wheel LF (or RF, LR, RR), or --all for all four."
        )
    if order is None:
        return settings.order
    try:
        return wheels_in_order(order)
    except ValueError as error:
        raise UsageError(f"--order {order!r}: {error}.") from error


def camber(
    ctx: typer.Context,
    *,
    priors: Priors,
    pod: PodOption = None,
    wheel: Annotated[
        Wheel | None,
        typer.Option(
            "--wheel", metavar="WHEEL", parser=read_wheel, help="One wheel: LF, RF, LR or RR."
        ),
    ] = None,
    all_wheels: Annotated[
        bool, typer.Option("--all", help="All wheels, one after the other with one pod.")
    ] = False,
    order: Annotated[
        str | None,
        typer.Option(
            "--order",
            metavar="WHEELS",
            help="Several wheels, in this order, e.g. LF,RF,RR,LR; for --all the setting `order`.",
            show_default=False,
        ),
    ] = None,
    driver: DriverOption = None,
    rate: RateOption = None,
    same_mount: SameMountOption = False,
    no_spin: NoSpinOption = False,
    no_zero: NoZeroOption = False,
    calibration: CalibrationOption = None,
    uncalibrated: UncalibratedOption = False,
    budget: BudgetOption = False,
    json_output: JsonOption = False,
) -> int:
    """Wait for the wheel to come to rest, cue, and show camber with its uncertainty.

    Exit code 3 if the readings do not support a result.
    """
    here = invocation(ctx)
    wheels = chosen_order(wheel, all_wheels, order, here.settings)
    seat = read_driver(driver, "out")
    given = read_calibration(ctx, calibration, uncalibrated)
    address = choose_pod(pod, here.settings, console_for(here, json_output))

    from knuckle.analysis.request import Request
    from knuckle.run.camber import camber_measurement
    from knuckle.run.method_rests import Task

    several = len(wheels) > 1
    if several:
        address = sim_in_order(address, wheels)
    link = open_for_eyes(here, address, wheels[0], "camber_all" if several else "camber")
    mount, mount_facts = choose_mount(
        ctx, None if several else wheels[0], same_mount, no_spin, json_output=json_output
    )
    facts = {
        **mount_facts,
        "driver": seat,
        "order": [each.value for each in wheels],
        **simulated_facts(address, link),
    }
    task = Task(
        "camber",
        Request(wheels[0], priors),
        given,
        uncalibrated,
        facts=facts,
        rate_hz=rate,
        mount=mount,
        use_zero=not no_zero,
    )

    def begin(view: View, store: Store) -> Measurement:
        return camber_measurement(task, wheels, link, view, store)

    said = (*CAMBER, *order_lines(wheels), seat_line(seat))
    return measure_live(
        ctx,
        said,
        begin,
        description=link.description(),
        json_output=json_output,
        budget=budget,
    )


def order_lines(wheels: tuple[Wheel, ...]) -> tuple[str, ...]:
    """Return the line that tells the order of a walk round the car."""
    if len(wheels) < 2:
        return ()
    return (f"Order: {', '.join(wheel.value for wheel in wheels)}; no key to press.",)
