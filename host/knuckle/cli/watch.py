"""``knuckle watch``: one pod, live."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import typer

from knuckle.cli.invocation import Invocation, invocation
from knuckle.cli.options import PodOption, RateOption, SecondsOption, WheelOption
from knuckle.cli.pod_choice import choose_pod
from knuckle.model.wheel import Wheel

if TYPE_CHECKING:
    from knuckle.links.contract import Link
    from knuckle.run.loop import RunLoop
    from knuckle.terminal.screen import Screen


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("watch")(watch)


def watch(
    ctx: typer.Context,
    *,
    pod: PodOption = None,
    wheel: WheelOption = Wheel.LF,
    rate: RateOption = None,
    seconds: SecondsOption = None,
) -> None:
    """Show one pod live: angles, rate, noise, temperature, losses.

    Nothing is stored. What is shown moves with every sample and has no uncertainty: it is for
    looking, not a result. Ctrl-C ends it.
    """
    from knuckle.links.schemes import open_link

    here = invocation(ctx)
    address = choose_pod(pod, here.settings, here.console())
    pace = None if here.settings.plain or not here.console().is_terminal else 1.0
    link = open_link(address, wheel=wheel, purpose="watch", **for_eyes(address, pace))
    asyncio.run(_watch(here, link, wheel, rate, seconds))


def for_eyes(address: str, pace: float | None) -> dict[str, float]:
    """Return the options that let a simulation or a recording run at a speed to look at.

    Parameters
    ----------
    address : str
        A speed named in it is left as it is; a real pod has its own.
    pace : float or None
        1 is real time; None leaves it as fast as it goes.
    """
    from knuckle.links.address import parse_address

    parts = parse_address(address)
    has_own = parts.scheme not in ("sim", "file") or "speed" in parts.options
    return {} if pace is None or has_own else {"speed": pace}


async def _watch(
    here: Invocation, link: Link, wheel: Wheel, rate_hz: float | None, seconds: float | None
) -> None:
    from knuckle.run.calibrations import stored_in_pod
    from knuckle.run.loop import RunLoop

    with here.screen() as screen:
        screen.say(link.description())
        async with RunLoop({wheel: link}, rate_hz=rate_hz, calibration_of=stored_in_pod) as loop:
            await _show(loop, screen, wheel, seconds)


async def _show(loop: RunLoop, screen: Screen, wheel: Wheel, seconds: float | None) -> None:
    from knuckle.cli.watch_scene import WatchScene

    shown = WatchScene(wheel)
    async for event in loop.events():
        for line in shown.take(event):
            screen.say(line)
        screen.show(shown.scene())
        if seconds is not None and shown.passed_s >= seconds:
            return
