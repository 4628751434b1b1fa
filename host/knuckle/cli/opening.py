"""Opening the pod that a command talks to, at a speed that suits whoever looks on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from knuckle.cli.invocation import Invocation
from knuckle.model.wheel import Wheel

if TYPE_CHECKING:
    from knuckle.links.contract import Link


def open_for_eyes(here: Invocation, address: str, wheel: Wheel, purpose: str) -> Link:
    """Return the link, not yet open; in real time where somebody watches the live view.

    Raises
    ------
    UsageError
        If the address cannot be read.
    """
    from knuckle.links.schemes import open_link

    pace = None if here.settings.plain or not here.console().is_terminal else 1.0
    return open_link(address, wheel=wheel, purpose=purpose, **for_eyes(address, pace))


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
    from knuckle.links.schemes import SIMULATED

    parts = parse_address(address)
    has_own = parts.scheme not in (*SIMULATED, "file") or "speed" in parts.options
    return {} if pace is None or has_own else {"speed": pace}
