"""``knuckle pod``: what one pod keeps, its name and its baud rate."""

from __future__ import annotations

import secrets
import sys
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from knuckle.cli.invocation import invocation
from knuckle.cli.one_loop import carry_out
from knuckle.cli.options import PodOption
from knuckle.cli.pod_choice import choose_pod
from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel

if TYPE_CHECKING:
    from knuckle.run.podsettings import PodSettings
    from knuckle.wire.messages import Hello
    from knuckle.wire.settings import SettingsRecord


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("pod")(pod)


def baud_rate(text: str) -> int:
    """Read a baud rate that pods offer.

    Raises
    ------
    UsageError
        If it is none: a pod set to it could not be reached.
    """
    from knuckle.run.podsettings import BAUDS

    if text.strip() not in {str(baud) for baud in BAUDS}:
        raise UsageError(
            f"{text} is no baud rate that a pod offers.",
            "",
            f"Take one of {', '.join(str(baud) for baud in BAUDS)}.",
        )
    return int(text)


def pod(
    ctx: typer.Context,
    *,
    pod: PodOption = None,
    name: Annotated[
        str | None, typer.Option(help="Name to keep in the pod.", metavar="NAME")
    ] = None,
    baud: Annotated[
        int | None,
        typer.Option(
            help="Rate of the pod's serial line from its next start on: 9600 to 115200.",
            metavar="N",
            parser=baud_rate,
        ),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Change the baud rate without asking.")
    ] = False,
) -> None:
    """Show what a pod keeps, and set its name or its baud rate.

    Calibration and identity stay as they are. A new baud rate holds from the pod's next start
    on; with a Bluetooth module the module must be set to it as well.
    """
    from knuckle.links.schemes import open_link
    from knuckle.run.podsettings import change_settings
    from knuckle.run.visit import visit

    here = invocation(ctx)
    if baud is not None and not yes:
        _agree(baud)
    address = choose_pod(pod, here.settings, here.console())
    link = open_link(address, wheel=Wheel.LF, purpose="watch")
    found = carry_out(
        visit(
            link, lambda hello: change_settings(hello, name, baud, lambda: secrets.token_bytes(8))
        )
    )
    for line in described(found, address):
        typer.echo(line)


def _agree(baud: int) -> None:
    """Ask before a change that can put the pod out of reach.

    Raises
    ------
    UsageError
        If there is nobody to ask, or the answer is no.
    """
    said = (
        f"From its next start on the pod will speak {baud} baud. A Bluetooth module between must "
        "be set to the same rate, or the pod is out of reach until it is wired to USB."
    )
    if not sys.stdin.isatty():
        raise UsageError("The baud rate was not changed.", said, "Add --yes to change it.")
    typer.echo(said)
    if not typer.confirm("Change it?"):
        raise UsageError("The baud rate was not changed.", "You said no.", "Nothing was written.")


def described(found: PodSettings, address: str) -> list[str]:
    """Return what the pod keeps and what to mind, as lines for people."""
    record, hello = found.now, found.hello
    if record is None:
        return [
            f"The pod's settings are blank: no name, no identity, {_rate(hello, 115200)}.",
            "next: name it with --name; that writes them.",
        ]
    calibration = "none"
    if record.calibration is not None:
        date = datetime.fromtimestamp(record.calibration.date, UTC)
        calibration = f"of {date:%Y-%m-%d}"
    lines = [
        f"name         {record.name or '(none)'}",
        f"identity     {record.identity.hex()}",
        f"baud rate    {_rate(hello, record.baud)}",
        f"calibration  {calibration}",
        f"hardware     {hello.hardware}, firmware {'.'.join(map(str, hello.firmware))}",
    ]
    if found.before != record:
        lines.append("Written, and read back as written.")
    if _new_baud(found.before, record):
        lines += _restart(record.baud, address)
    return lines


def _new_baud(before: SettingsRecord | None, now: SettingsRecord) -> bool:
    from knuckle.wire.settings import DEFAULT_BAUD

    return now.baud != (before.baud if before is not None else DEFAULT_BAUD)


def _rate(hello: Hello, baud: int) -> str:
    """Return a baud rate with the samples a second that its line carries."""
    from knuckle.wire.budget import least_averaging

    if not hello.channels:
        return f"{baud}"
    try:
        least = least_averaging(baud, hello.channels, hello.raw_period_ticks, hello.tick_hz)
    except ValueError:
        return f"{baud} (its line carries no samples of these channels)"
    samples_hz = hello.tick_hz / (hello.raw_period_ticks * least)
    return f"{baud} (carries up to {samples_hz:.3g} samples/s of these channels)"


def _restart(baud: int, address: str) -> list[str]:
    from knuckle.links.address import parse_address
    from knuckle.wire.settings import DEFAULT_BAUD

    lines = [f"Restart the pod now: until then it speaks the old rate, afterwards {baud} baud."]
    parts = parse_address(address)
    if parts.scheme == "serial":
        new = f"serial:{parts.place}" + ("" if baud == DEFAULT_BAUD else f"?baud={baud}")
        lines.append(f"Its address is then {new}")
    lines.append("A Bluetooth module must be set to the same rate by its own commands.")
    return lines
