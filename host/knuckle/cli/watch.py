"""``knuckle watch``: one pod, live."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from knuckle.cli.invocation import Invocation, invocation
from knuckle.cli.one_loop import carry_out
from knuckle.cli.opening import open_for_eyes
from knuckle.cli.options import PodOption, RateOption, SecondsOption, WheelOption
from knuckle.cli.pod_choice import choose_pod
from knuckle.model.wheel import Wheel

if TYPE_CHECKING:
    from knuckle.links.contract import Link
    from knuckle.run.calibrations import Library
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
    here = invocation(ctx)
    address = choose_pod(pod, here.settings, here.console())
    link = open_for_eyes(here, address, wheel, "watch")
    carry_out(_watch(here, link, wheel, rate, seconds))


async def _watch(
    here: Invocation, link: Link, wheel: Wheel, rate_hz: float | None, seconds: float | None
) -> None:
    from knuckle.run.calibrations import applied_by
    from knuckle.run.loop import RunLoop

    calibration_of = applied_by(_calibrations(here))

    with here.screen() as screen:
        screen.say(link.description())
        async with RunLoop({wheel: link}, rate_hz=rate_hz, calibration_of=calibration_of) as loop:
            await _show(loop, screen, wheel, seconds)


def _calibrations(here: Invocation) -> Library | None:
    """Return what finds a pod's newest calibration; None where there is no store."""
    from knuckle.run.calibrations import calibrations_of
    from knuckle.store.database import Store

    if not here.settings.store.exists():
        return None
    with Store(here.settings.store, read_only=True) as store:
        return calibrations_of(store.calibrations())


async def _show(loop: RunLoop, screen: Screen, wheel: Wheel, seconds: float | None) -> None:
    from knuckle.cli.watch_scene import WatchScene

    shown = WatchScene(wheel)
    async for event in loop.events():
        for line in shown.take(event):
            screen.say(line)
        screen.show(shown.scene())
        if seconds is not None and shown.passed_s >= seconds:
            return
