"""Which pod a command talks to where none is named."""

from __future__ import annotations

from typing import TYPE_CHECKING

from knuckle.cli.one_loop import carry_out
from knuckle.config import Settings
from knuckle.errors import LinkNotFound, UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from knuckle.links.discovery import FoundPort


def choose_pod(given: str | None, settings: Settings, console: Console) -> str:
    """Return the pod's address: as given, as set, or the one pod that is plugged in.

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
    from knuckle.links.discovery import find_pods

    console.print("No pod is named: listening on the USB-serial ports ...", markup=False)
    return only_pod(carry_out(find_pods()))


def only_pod(found: list[FoundPort]) -> str:
    """Return the address of the one pod among what was found.

    Raises
    ------
    LinkNotFound
        If there is none.
    UsageError
        If there are several.
    """
    pods = [port for port in found if port.is_pod]
    if len(pods) == 1:
        return pods[0].address
    if pods:
        raise UsageError(
            "Several pods are plugged in: " + ", ".join(pod.address for pod in pods) + ".",
            "None is named.",
            "Name one with --pod; `knuckle pods` tells which is which.",
        )
    looked = ", ".join(str(port.port) for port in found)
    raise LinkNotFound(
        "No pod was found.",
        f"No pod answers on {looked}." if looked else "No USB-serial port is there.",
        "Plug the pod in and try again, name it with --pod, or try without hardware: --pod sim:.",
    )
