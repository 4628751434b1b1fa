"""Which pod a command talks to where none is named."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from knuckle.cli.one_loop import carry_out
from knuckle.config import Settings
from knuckle.errors import LinkError, LinkNotFound, UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from knuckle.links.discovery import FoundPort


def choose_pod(given: str | None, settings: Settings, console: Console) -> str:
    """Return the pod's address: as given, as set, or the one pod that is plugged in or in reach.

    To be called before the event loop runs.

    Parameters
    ----------
    given : str or None
        The ``--pod`` option.
    settings : Settings
        Its `pod` comes next.
    console : rich.console.Console
        Where a search is told of.

    Raises
    ------
    LinkNotFound
        If none is named and none answers.
    UsageError
        If several answer.
    """
    named = given or settings.pod
    if named:
        return named
    from knuckle.links.discovery import search

    console.print(
        "No pod is named: listening on the USB-serial ports and over Bluetooth ...",
        markup=False,
        soft_wrap=True,
    )
    searched = carry_out(search())
    return only_pod(searched.found, searched.no_bluetooth)


def only_pod(found: Sequence[FoundPort], no_bluetooth: LinkError | None = None) -> str:
    """Return the address of the one pod among what was found; its cable's, if it has one.

    Raises
    ------
    LinkNotFound
        If there is none.
    UsageError
        If there are several.
    """
    from knuckle.links.discovery import by_pod

    pods = by_pod([port for port in found if port.is_pod])
    addresses = [next((way for way in ways if way.over_cable), ways[0]).address for ways in pods]
    if len(addresses) == 1:
        return addresses[0]
    if addresses:
        raise UsageError(
            "Several pods are plugged in or in reach: " + ", ".join(addresses) + ".",
            "None is named.",
            "Name one with --pod; `knuckle pods` tells which is which.",
        )
    looked = ", ".join(str(port.port) for port in found)
    cause = f"No pod answers on {looked}." if looked else "No USB-serial port is there."
    if no_bluetooth is not None:
        cause += f" Over Bluetooth none can be found: {no_bluetooth.what}"
    elif not looked:
        cause = "No USB-serial port is there, and no pod is in reach over Bluetooth."
    raise LinkNotFound(
        "No pod was found.",
        cause,
        "Plug the pod in and try again, name it with --pod, or try without hardware: --pod sim:.",
    )
