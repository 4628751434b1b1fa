"""``knuckle sweep``: caster and steering-axis inclination from one hands-free sweep."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from knuckle.cli.camber import seat_line
from knuckle.cli.cautions import SWEEP
from knuckle.cli.invocation import invocation
from knuckle.cli.live import (
    CalibrationOption,
    DriverOption,
    JsonOption,
    UncalibratedOption,
    console_for,
    measure_live,
    read_calibration,
    read_driver,
    refused_as_json,
    simulated_facts,
)
from knuckle.cli.options import PodOption, RateOption, read_wheel
from knuckle.cli.pod_choice import choose_pod
from knuckle.cli.priors import read_plates, with_priors
from knuckle.errors import MeasurementRefused, UsageError
from knuckle.model.wheel import Wheel

if TYPE_CHECKING:
    from knuckle.estimate.priors import Priors
    from knuckle.run.measurement import Measurement
    from knuckle.run.view import View
    from knuckle.store.database import Store


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(
        "sweep",
        help="Measure caster and steering-axis inclination, live, from the driver's seat.",
    )(with_priors(sweep))


def sweep(
    ctx: typer.Context,
    *,
    priors: Priors,
    pod: PodOption = None,
    wheel: Annotated[
        Wheel,
        typer.Option(
            "--wheel",
            metavar="WHEEL",
            parser=read_wheel,
            help="The wheel: LF or RF.",
            show_default=False,
        ),
    ],
    plates: Annotated[
        str | None,
        typer.Option(
            help="Turn-plate angles: change of heading from straight ahead; one number, or "
            "left;right.",
            metavar="DEG",
        ),
    ] = None,
    straight: Annotated[
        int | None, typer.Option(help="Number of the rest that was straight ahead.", metavar="N")
    ] = None,
    rear_steers: Annotated[
        bool, typer.Option("--rear-steers", help="The car steers its rear wheels.")
    ] = False,
    use_gyro: Annotated[
        bool, typer.Option("--gyro/--no-gyro", help="Whether the result uses the gyro.")
    ] = True,
    driver: DriverOption = None,
    rate: RateOption = None,
    calibration: CalibrationOption = None,
    uncalibrated: UncalibratedOption = False,
    json_output: JsonOption = False,
) -> int:
    """Guide the driver through a sweep and show caster, inclination and camber.

    Exit code 3 if the readings do not support a result.
    """
    here = invocation(ctx)
    if straight is not None and straight < 1:
        raise UsageError(f"--straight counts rests from 1; {straight} is none.")
    plate_angles = read_plates(plates)
    seat = read_driver(driver, "in")
    given = read_calibration(calibration, uncalibrated)

    from knuckle.run.sweep import check_steered, sweep_measurement

    try:
        check_steered(wheel, rear_steers)
    except MeasurementRefused as refusal:
        if not json_output:
            raise
        return refused_as_json("sweep", wheel, refusal)
    address = choose_pod(pod, here.settings, console_for(here, json_output))

    from knuckle.analysis.request import Request
    from knuckle.cli.watch import for_eyes
    from knuckle.links.schemes import open_link
    from knuckle.run.measurement import Task

    pace = None if here.settings.plain or not here.console().is_terminal else 1.0
    link = open_link(address, wheel=wheel, purpose="sweep", **for_eyes(address, pace))
    request = Request(
        wheel=wheel,
        priors=priors,
        plates_deg=plate_angles,
        straight=None if straight is None else straight - 1,
        rear_steers=rear_steers,
        use_gyro=use_gyro,
    )
    facts = {
        "driver": seat,
        "brake": "on" if priors.brake_held else "off",
        **({} if plate_angles is None else {"plates_deg": list(plate_angles)}),
        **simulated_facts(address, link),
    }
    task = Task("sweep", request, given, uncalibrated, facts=facts, rate_hz=rate)

    def begin(view: View, store: Store) -> Measurement:
        return sweep_measurement(task, link, view, store)

    return measure_live(
        ctx,
        (*SWEEP, seat_line(seat)),
        begin,
        description=link.description(),
        json_output=json_output,
    )
