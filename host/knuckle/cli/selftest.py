"""``knuckle selftest``: one pod looked over, and what is wrong with it in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from knuckle.cli.exit_codes import DONE, FAILED
from knuckle.cli.invocation import Invocation, invocation
from knuckle.cli.one_loop import carry_out
from knuckle.cli.options import PodOption, SecondsOption
from knuckle.cli.pod_choice import choose_pod
from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel

if TYPE_CHECKING:
    from knuckle.links.contract import Link
    from knuckle.run.examination import Evidence

SECONDS: float = 10.0
LEAST_SECONDS: float = 2.0


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("selftest")(selftest)


def selftest(
    ctx: typer.Context,
    *,
    pod: PodOption = None,
    seconds: SecondsOption = None,
    json_output: Annotated[
        bool, typer.Option("--json", help="Print one JSON object (docs/results.md).")
    ] = False,
) -> int:
    """Check one pod: every sensor's identity and own test, noise, gravity, rate, clock, line.

    Lay the pod down still before. Nothing is set and nothing is stored. Exit code 1 if anything
    is bad.
    """
    from knuckle.links.schemes import open_link
    from knuckle.model.check import is_good
    from knuckle.report.selftest_text import selftest_lines, selftest_to_json
    from knuckle.run.selftest import checks_of

    if seconds is not None and seconds < LEAST_SECONDS:
        raise UsageError(
            f"{seconds:g} s of samples tell nothing.",
            "Noise and rate are judged over half-second means.",
            f"Take --seconds {LEAST_SECONDS:g} or more, or leave it out.",
        )
    here = invocation(ctx)
    address = choose_pod(pod, here.settings, here.console())
    link = open_link(address, wheel=Wheel.LF, purpose="still")
    evidence = carry_out(_examine(here, link, seconds or SECONDS, quiet=json_output))
    checks = checks_of(evidence)
    if json_output:
        import json

        content = selftest_to_json(checks, pod=_described(evidence), source=link.description())
        typer.echo(json.dumps(content, indent=1, ensure_ascii=True))
    else:
        for line in selftest_lines(checks, link.description()):
            typer.echo(line)
    return DONE if is_good(checks) else FAILED


async def _examine(here: Invocation, link: Link, seconds: float, *, quiet: bool) -> Evidence:
    from knuckle.run.examination import examine
    from knuckle.terminal.progress import waiting

    if quiet:
        return await examine(link, seconds)
    with waiting(here.console(), f"Checking for {seconds:g} s: leave the pod still"):
        return await examine(link, seconds)


def _described(evidence: Evidence) -> dict[str, Any]:
    from knuckle import __version__

    hello = evidence.hello
    said: dict[str, Any] = {"program_version": __version__}
    if hello is None:
        return {**said, "format": "text", "id": evidence.facts.get("id", "")}
    return {
        **said,
        "format": "frames",
        "hardware": hello.hardware,
        "firmware": ".".join(map(str, hello.firmware)),
        "identity": hello.identity.hex() if any(hello.identity) else "",
        "name": hello.name,
        "sensors": [row.sensor.name for row in hello.channels],
    }
