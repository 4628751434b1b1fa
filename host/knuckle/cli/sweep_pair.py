"""``knuckle sweep`` with a pod on each front wheel: two links, one guide, one run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knuckle.cli.cautions import SWEEP, seat_line
from knuckle.cli.invocation import invocation
from knuckle.cli.live import measure_live, simulated_facts
from knuckle.cli.mount import choose_mount
from knuckle.cli.opening import open_for_eyes
from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel

if TYPE_CHECKING:
    from knuckle.analysis.request import Request
    from knuckle.estimate.calibration import Calibration
    from knuckle.run.measurement_pair import PairMeasurement
    from knuckle.run.view import View
    from knuckle.store.database import Store

LeftPodOption = Annotated[
    str | None,
    typer.Option(
        "--left-pod",
        metavar="ADDRESS",
        help="The pod on LF, to sweep both front wheels at once; with --right-pod.",
        show_default=False,
    ),
]
RightPodOption = Annotated[
    str | None,
    typer.Option(
        "--right-pod",
        metavar="ADDRESS",
        help="The pod on RF, likewise.",
        show_default=False,
    ),
]


@dataclass(frozen=True)
class Both:
    """What was typed for a sweep of both wheels.

    Attributes
    ----------
    left, right : str
        Addresses.
    calibration : Calibration or None
    uncalibrated : bool
    driver : str
    rate_hz : float or None
    brake_held, same_mount, no_spin, no_zero, json_output, budget : bool
    """

    left: str
    right: str
    calibration: Calibration | None
    uncalibrated: bool
    driver: str
    brake_held: bool
    rate_hz: float | None = None
    same_mount: bool = False
    no_spin: bool = False
    no_zero: bool = False
    json_output: bool = False
    budget: bool = False


def check_pair(left: str | None, right: str | None, **alone: object) -> tuple[str, str] | None:
    """Return both addresses, or None where one wheel is swept.

    Parameters
    ----------
    left, right : str or None
    **alone
        Options that belong to one wheel, by name; set ones are refused.

    Raises
    ------
    UsageError
        If one pod is missing, both are the same, or an option of one wheel is given.
    """
    if left is None and right is None:
        return None
    if left is None or right is None:
        pods = ("--left-pod", "--right-pod")
        here, there = pods if right is None else pods[::-1]
        raise UsageError(
            f"{here} alone is half a pair.",
            "A sweep of both wheels needs a pod on each.",
            f"Name the other with {there}, or sweep one wheel with --wheel and --pod.",
        )
    if left == right and not _is_simulated(left):
        raise UsageError(
            f"Both pods are {left}.",
            "Each wheel has a pod of its own.",
            "Name two; `knuckle pods` lists them.",
        )
    refuse_of_one(**alone)
    return left, right


def refuse_of_one(**alone: object) -> None:
    """Refuse options that are of one wheel or pod, where both are measured.

    Raises
    ------
    UsageError
        If one of them is set.
    """
    for name, value in alone.items():
        if value:
            raise UsageError(
                f"--{name.replace('_', '-')} is of one wheel.",
                "Both front wheels are measured together.",
                "Leave it out, or measure the wheels one after the other.",
            )


def _is_simulated(address: str) -> bool:
    from knuckle.links.address import parse_address
    from knuckle.links.schemes import SIMULATED

    return parse_address(address).scheme in SIMULATED


def sweep_both(ctx: typer.Context, typed: Both, request_of: Callable[[Wheel], Request]) -> int:
    """Guide the driver through one sweep of both wheels, and show each and the pair."""
    from knuckle.links.sim import on_one_car
    from knuckle.run.measurement_pair import pair_measurement
    from knuckle.run.method_rests import Task

    here = invocation(ctx)
    addresses = {Wheel.LF: typed.left, Wheel.RF: typed.right}
    links = {
        wheel: open_for_eyes(here, address, wheel, "sweep") for wheel, address in addresses.items()
    }
    on_one_car(list(links.values()))

    def task(wheel: Wheel) -> Task:
        mount, mount_facts = choose_mount(
            ctx, wheel, typed.same_mount, typed.no_spin, json_output=typed.json_output
        )
        return Task(
            "sweep",
            request_of(wheel),
            typed.calibration,
            typed.uncalibrated,
            facts={**mount_facts, **simulated_facts(addresses[wheel], links[wheel])},
            rate_hz=typed.rate_hz,
            mount=mount,
            use_zero=not typed.no_zero,
        )

    tasks = {wheel: task(wheel) for wheel in addresses}
    facts: dict[str, Any] = {
        "driver": typed.driver,
        "brake": "on" if typed.brake_held else "off",
    }

    def begin(view: View, store: Store) -> PairMeasurement:
        return pair_measurement(tasks, links, view, store, facts)

    return measure_live(
        ctx,
        (*SWEEP, seat_line(typed.driver)),
        begin,
        description="\n".join(f"{wheel}: {link.description()}" for wheel, link in links.items()),
        json_output=typed.json_output,
        budget=typed.budget,
    )
