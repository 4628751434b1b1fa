"""``knuckle toe``: toe of one wheel by a string, hands-free or from distances typed in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from knuckle.cli.cautions import TOE, seat_line
from knuckle.cli.invocation import invocation
from knuckle.cli.live import (
    DriverOption,
    JsonOption,
    console_for,
    measure_live,
    read_driver,
    sim_with,
    simulated_facts,
    tell,
)
from knuckle.cli.opening import open_for_eyes
from knuckle.cli.options import BudgetOption, PodOption, RateOption, WheelOption
from knuckle.cli.pod_choice import choose_pod
from knuckle.cli.toe_options import ToeChoice, with_toe_and_sensor
from knuckle.errors import UsageError
from knuckle.quantities import length_mm

if TYPE_CHECKING:
    from knuckle.model.wheel import Wheel
    from knuckle.run.measurement import Measurement
    from knuckle.run.view import View
    from knuckle.store.database import Store

TypedOption = Annotated[
    list[str] | None,
    typer.Option(
        "--typed",
        metavar="FRONT/REAR",
        help="Distances to the string, typed in; again for repeats. No pod is needed.",
        show_default=False,
    ),
]
TypedUOption = Annotated[
    str | None,
    typer.Option(
        "--typed-u",
        metavar="LENGTH",
        help="Reading of a typed distance, one sigma. [default: 0.3]",
        show_default=False,
    ),
]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("toe", help="Measure toe by a string with a linear sensor, live or typed in.")(
        with_toe_and_sensor(toe)
    )


def toe(
    ctx: typer.Context,
    *,
    toe_choice: ToeChoice,
    wheel: WheelOption,
    pod: PodOption = None,
    typed: TypedOption = None,
    typed_u: TypedUOption = None,
    driver: DriverOption = None,
    rate: RateOption = None,
    budget: BudgetOption = False,
    json_output: JsonOption = False,
) -> int:
    """Guide from touch to touch, and show toe with its uncertainty.

    Exit code 3 if the readings do not support a result.
    """
    here = invocation(ctx)
    seat = read_driver(driver, "out")
    task = toe_choice.task(wheel)
    if typed:
        return _from_typed(ctx, toe_choice, wheel, typed, typed_u, seat, json_output, budget)
    if typed_u is not None:
        raise UsageError("--typed-u belongs to distances that are typed in with --typed.")
    address = choose_pod(pod, here.settings, console_for(here, json_output))

    from dataclasses import replace

    from knuckle.run.linear_calibrations import newest
    from knuckle.run.toe import toe_measurement

    address = sim_with(address, {"script.wheels": wheel.value, "script.repeat": str(task.repeats)})
    link = open_for_eyes(here, address, wheel, "toe")
    facts = {"driver": seat, **simulated_facts(address, link)}
    task = replace(task, facts=facts, rate_hz=rate)

    def begin(view: View, store: Store) -> Measurement:
        kept = store.calibrations()
        return toe_measurement(
            task, lambda identity, channel: newest(kept, identity, channel), link, view, store
        )

    said = (*TOE, seat_line(seat))
    return measure_live(
        ctx,
        said,
        begin,
        description=link.description(),
        json_output=json_output,
        budget=budget,
    )


def _from_typed(
    ctx: typer.Context,
    choice: ToeChoice,
    wheel: Wheel,
    pairs: list[str],
    typed_u: str | None,
    seat: str,
    json_output: bool,
    budget: bool,
) -> int:
    from knuckle.analysis.toe import analyse_toe
    from knuckle.analysis.toe_request import TYPED_U_MM, TouchReading
    from knuckle.cli.exit_codes import DONE, REFUSED
    from knuckle.model.result import Place
    from knuckle.quantities import one_or_two
    from knuckle.run.assumptions import ASSUMED
    from knuckle.run.measurement import Report
    from knuckle.run.toe import HOW
    from knuckle.run.toe_facts import request_fact
    from knuckle.store.database import Store
    from knuckle.store.rows import RunState

    u_mm = TYPED_U_MM if typed_u is None else length_mm(typed_u)
    if u_mm < 0.0:
        raise UsageError(f"--typed-u is an uncertainty and cannot be negative: {typed_u}.")
    touches: list[TouchReading] = []
    for text in pairs:
        front, rear = one_or_two(text, length_mm)
        if rear is None:
            raise UsageError(
                f"--typed {text}: two distances are needed, front and rear.",
                "",
                "Write them as FRONT/REAR, for example --typed 62.5/61.0.",
            )
        touches += [TouchReading(Place.FRONT, front, u_mm), TouchReading(Place.REAR, rear, u_mm)]
    request = choice.request(wheel)
    outcome = analyse_toe(touches, request)
    here = invocation(ctx)
    state = RunState.FINISHED if outcome.refused is None else RunState.REFUSED
    facts: dict[str, Any] = {
        "driver": seat,
        ASSUMED: request_fact(request),
        "typed_mm": [touch.reading_mm for touch in touches],
        "typed_u_mm": u_mm,
    }
    with Store(here.settings.store, job=here.job) as store:
        run = store.begin_run("toe", [wheel.value], facts=facts, addresses=["typed"])
        store.add_result(run, outcome, method=HOW)
        store.finish_run(run, state, facts={"complete": True})
    report = Report(run, state, (outcome,))
    tell(
        ctx,
        report,
        here.settings.store,
        interrupted=False,
        json_output=json_output,
        budget=budget,
    )
    return DONE if outcome.refused is None else REFUSED
