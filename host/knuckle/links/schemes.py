"""The table of links. A new kind of link is one file and one row here."""

from __future__ import annotations

import importlib
from typing import Any, Final, Protocol

from knuckle.errors import UsageError
from knuckle.links.address import Address, parse_address
from knuckle.links.contract import Link
from knuckle.model.wheel import Wheel

SCHEMES: Final[dict[str, tuple[str, str]]] = {
    "serial": ("knuckle.links.serial", "SerialLink"),
    "ble": ("knuckle.links.ble", "BleLink"),
    "sim": ("knuckle.links.sim", "SimLink"),
    "avr": ("knuckle.links.avr", "AvrLink"),
    "file": ("knuckle.links.file", "FileLink"),
}
"""Scheme to (module, class); a module is imported only when its scheme is used."""

SIMULATED: Final = frozenset({"sim", "avr"})
"""Schemes whose pod is on a simulated car: scenario, seed and truth are known."""


class LinkClass(Protocol):
    """What a class named in `SCHEMES` offers."""

    def from_address(
        self, address: Address, *, wheel: Wheel | None, purpose: str, **options: Any
    ) -> Link:
        """Return a link, not yet open."""
        ...


def open_link(
    address: str, *, wheel: Wheel | None = None, purpose: str = "watch", **options: Any
) -> Link:
    """Return the link for an address; it opens when entered with ``async with``.

    Parameters
    ----------
    address : str
        ``serial:/dev/ttyUSB0``, ``sim:SCENARIO?seed=7``, ``file:NAME?speed=1``; see docs/links.md.
    wheel : Wheel, optional
        The wheel the pod sits on; a simulated pod simulates that wheel.
    purpose : str
        What it is opened for (watch, camber, sweep); a simulated driver acts accordingly.
    **options
        Laid over the options in the address; None is as good as absent.

    Raises
    ------
    UsageError
        If the address or an option cannot be read or the scheme is unknown.
    """
    parts = parse_address(address)
    if parts.scheme not in SCHEMES:
        raise UsageError(
            f"'{parts.scheme}:' is no kind of link.",
            next_step=f"Use one of {', '.join(f'{scheme}:' for scheme in SCHEMES)}.",
        )
    module, name = SCHEMES[parts.scheme]
    link_class: LinkClass = getattr(importlib.import_module(module), name)
    return link_class.from_address(parts, wheel=wheel, purpose=purpose, **options)
