"""Whether a mounting that a wheel-turn run has measured is still the same: told, or asked."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knuckle.cli.invocation import invocation
from knuckle.errors import UsageError
from knuckle.quantities import angle_deg

if TYPE_CHECKING:
    from knuckle.analysis.request import Request
    from knuckle.model.wheel import Wheel
    from knuckle.run.mounting import Mounted

SameMountOption = Annotated[
    bool,
    typer.Option(
        "--same-mount",
        help="The pod has not been touched since `knuckle spin` on this wheel: use its spin axis.",
    ),
]
NoSpinOption = Annotated[
    bool, typer.Option("--no-spin", help="Do not use a wheel-turn run, and do not ask.")
]
NoZeroOption = Annotated[
    bool,
    typer.Option("--no-zero", help="Do not apply the zero that `knuckle reversal` has found."),
]
SquarenessOption = Annotated[
    str | None,
    typer.Option(
        "--squareness",
        metavar="DEG",
        help="Base to mounting face of the case, one sigma; of a reversal. [default: 0.2]",
        show_default=False,
    ),
]


def with_squareness(request: Request, typed: str | None) -> Request:
    """Return the request with the squareness as typed.

    Raises
    ------
    UsageError
        If it is no angle, or negative.
    """
    if typed is None:
        return request
    from dataclasses import replace

    from knuckle.estimate.priors import Given

    value = angle_deg(typed)
    if value < 0.0:
        raise UsageError(f"--squareness is an uncertainty and cannot be negative: {typed}.")
    return replace(request, squareness=Given(0.0, value))


def choose_mount(
    ctx: typer.Context,
    wheel: Wheel | None,
    same_mount: bool,
    no_spin: bool,
    *,
    json_output: bool,
) -> tuple[Mounted | None, dict[str, Any]]:
    """Return the mounting to use, and what a run's facts keep of the choice.

    Nobody has watched the pod since the program last ended: so it asks, or is told.

    Parameters
    ----------
    wheel : Wheel or None
        None where the pod goes from wheel to wheel.
    same_mount, no_spin : bool
        As told on the command line.
    json_output : bool

    Raises
    ------
    UsageError
        If what is told cannot be.
    """
    from dataclasses import replace

    from knuckle.run.mounting import ASKED, MOUNT, OPTION, latest
    from knuckle.store.database import Store

    if same_mount and no_spin:
        raise UsageError("--same-mount and --no-spin contradict each other.")
    if wheel is None:
        if same_mount:
            raise UsageError("--same-mount is of one wheel: the pod goes from wheel to wheel.")
        return None, {}
    path = invocation(ctx).settings.store
    found = None
    if path.exists():
        with Store(path, read_only=True) as store:
            found = latest(store, wheel)
    if found is None:
        if same_mount:
            raise UsageError(
                f"There is no wheel-turn run of {wheel.value} to go by.",
                "The store keeps none that ended with a result.",
                f"Turn the wheel with `knuckle spin --wheel {wheel.value}` first.",
            )
        return None, {}
    if found.elsewhere is not None and same_mount:
        raise UsageError(
            f"The pod has been taken off since its wheel-turn run {found.run}: see run "
            f"{found.elsewhere}.",
            "It was on another wheel or in the hand, and no longer sits as it was measured.",
            f"Turn the wheel again with `knuckle spin --wheel {wheel.value}`.",
        )
    said = OPTION if same_mount else "no spin" if no_spin else ""
    if not said and found.elsewhere is not None:
        said = "moved"
    if not said:
        said = _asked(found, wheel, json_output)
    if said in (OPTION, ASKED):
        return replace(found, said=said), {}
    return None, {MOUNT: {"run": found.run, "said": said}}


def _asked(found: Mounted, wheel: Wheel, json_output: bool) -> str:
    from knuckle.run.mounting import ASKED

    if not (sys.stdin.isatty() and (json_output or sys.stdout.isatty())):
        typer.echo(
            f"Run {found.run} measured how the pod sits on {wheel.value}, but nobody has watched "
            "it since:\nnot used. Say --same-mount if it was not touched.",
            err=True,
        )
        return "nobody asked"
    same = typer.confirm(
        f"Run {found.run} measured how the pod sits on {wheel.value} (ended {found.since_utc}).\n"
        "Has it stayed on that wheel, untouched, since then?",
        default=False,
        err=json_output,
    )
    return ASKED if same else "no"
