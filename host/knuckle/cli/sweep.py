"""``knuckle sweep``: caster and steering-axis inclination from one hands-free sweep."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from knuckle.cli.cautions import SWEEP, seat_line
from knuckle.cli.invocation import invocation
from knuckle.cli.linear_steer import LinearChoice, with_linear
from knuckle.cli.live import (
    DriverOption,
    JsonOption,
    console_for,
    measure_live,
    read_driver,
    refused_as_json,
    simulated_facts,
)
from knuckle.cli.mount import NoSpinOption, NoZeroOption, SameMountOption, choose_mount
from knuckle.cli.opening import open_for_eyes
from knuckle.cli.options import BudgetOption, PodOption, RateOption, read_wheel
from knuckle.cli.pod_choice import choose_pod
from knuckle.cli.priors import with_priors
from knuckle.cli.request import (
    CalibrationOption,
    GyroOption,
    PlatesOption,
    RearSteersOption,
    StraightOption,
    UncalibratedOption,
    read_calibration,
    sweep_request,
)
from knuckle.cli.sweep_pair import Both, LeftPodOption, RightPodOption, check_pair, sweep_both
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
    )(with_priors(with_linear(sweep)))


def sweep(
    ctx: typer.Context,
    *,
    priors: Priors,
    linear: LinearChoice,
    pod: PodOption = None,
    left_pod: LeftPodOption = None,
    right_pod: RightPodOption = None,
    wheel: Annotated[
        Wheel | None,
        typer.Option(
            "--wheel",
            metavar="WHEEL",
            parser=read_wheel,
            help="The wheel: LF or RF; needed unless both are swept.",
        ),
    ] = None,
    plates: PlatesOption = None,
    straight: StraightOption = None,
    rear_steers: RearSteersOption = False,
    use_gyro: GyroOption = True,
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
    """Guide the driver through a sweep and show caster, inclination and camber.

    Exit code 3 if the readings do not support a result.
    """
    here = invocation(ctx)
    both = check_pair(
        left_pod,
        right_pod,
        wheel=wheel,
        pod=pod,
        plates=plates,
        rear_steers=rear_steers,
        linear=(left_pod or right_pod) and linear.on(Wheel.LF),
    )
    if both is not None:
        typed = Both(
            *both,
            calibration=read_calibration(ctx, calibration, uncalibrated),
            uncalibrated=uncalibrated,
            driver=read_driver(driver, "in"),
            brake_held=priors.brake_held,
            rate_hz=rate,
            same_mount=same_mount,
            no_spin=no_spin,
            no_zero=no_zero,
            json_output=json_output,
            budget=budget,
        )
        return sweep_both(
            ctx,
            typed,
            lambda each: sweep_request(
                each,
                priors,
                plates=None,
                straight=straight,
                rear_steers=False,
                use_gyro=use_gyro,
            ),
        )
    if wheel is None:
        raise UsageError(
            "Which wheel?",
            "",
            "Say --wheel LF or --wheel RF, or name a pod for each with --left-pod and --right-pod.",
        )
    request = sweep_request(
        wheel,
        priors,
        plates=plates,
        straight=straight,
        rear_steers=rear_steers,
        use_gyro=use_gyro,
        linear=linear.on(wheel),
    )
    seat = read_driver(driver, "in")
    given = read_calibration(ctx, calibration, uncalibrated)

    from knuckle.analysis.sweep import check_steered
    from knuckle.run.sweep import sweep_measurement

    try:
        check_steered(wheel, rear_steers)
    except MeasurementRefused as refusal:
        if not json_output:
            raise
        return refused_as_json("sweep", wheel, refusal)
    address = choose_pod(pod, here.settings, console_for(here, json_output))

    from knuckle.run.method_rests import Task

    link = open_for_eyes(here, address, wheel, "sweep")
    mount, mount_facts = choose_mount(ctx, wheel, same_mount, no_spin, json_output=json_output)
    facts = {
        **mount_facts,
        "driver": seat,
        "brake": "on" if priors.brake_held else "off",
        **({} if request.plates_deg is None else {"plates_deg": list(request.plates_deg)}),
        **simulated_facts(address, link),
    }
    task = Task(
        "sweep",
        request,
        given,
        uncalibrated,
        facts=facts,
        rate_hz=rate,
        mount=mount,
        use_zero=not no_zero,
    )

    def begin(view: View, store: Store) -> Measurement:
        return sweep_measurement(task, link, view, store)

    return measure_live(
        ctx,
        (*SWEEP, seat_line(seat)),
        begin,
        description=link.description(),
        json_output=json_output,
        budget=budget,
    )
