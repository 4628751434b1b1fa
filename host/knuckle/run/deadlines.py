"""How long a session waits, where it can stand, and what it says when a wait was in vain."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from knuckle.errors import KnuckleError, LinkLost, LinkTimeout, LinkWrongDevice
from knuckle.wire.messages import Command, Hello


@dataclass(frozen=True, slots=True)
class Deadlines:
    """How long a session waits, in the link's own time.

    Attributes
    ----------
    hello_s : float
        For the hello after opening; most boards restart then.
    header_s : float
        The same once sample lines of the text format come: its header is repeated seldom.
    silence_s : float
        Without any byte before a running link counts as down.
    give_up_s : float
        After which the loop no longer tries to bring a lost pod back.
    """

    hello_s: float = 4.0
    header_s: float = 15.0
    silence_s: float = 2.0
    give_up_s: float = 120.0


class State(Enum):
    """Where a session stands."""

    CLOSED = "closed"
    WAITING = "waiting for the hello"
    LEARNING = "reading the settings"
    STARTING = "starting the samples"
    STREAMING = "streaming"


def no_hello(waited_s: float, *, bytes_came: bool) -> LinkTimeout | LinkWrongDevice:
    """Return the error for an open link on which no pod introduced itself."""
    if not bytes_came:
        return LinkTimeout(
            f"Nothing came within {waited_s:g} s.",
            "The pod has no power or no firmware, or this is another device.",
            "Check the pod's light, or choose another port (see 'knuckle pods').",
        )
    return LinkWrongDevice(
        f"Bytes come, but no hello within {waited_s:g} s: this does not speak as a pod.",
        "Another device is on this port, or the baud rate differs from the pod's.",
        "Choose another port (see 'knuckle pods') or give the pod's rate, '?baud=9600'.",
    )


def no_header(waited_s: float) -> LinkWrongDevice:
    """Return the error for lines of numbers whose columns nobody has named."""
    return LinkWrongDevice(
        f"Lines of numbers come, but no header line within {waited_s:g} s.",
        "A board of your own says its header only once, or never.",
        "Let it say the header, such as t_ms,ax_g,ay_g,az_g, again every few seconds: "
        "docs/own-pod.md.",
    )


def bad_header(trouble: str) -> LinkWrongDevice:
    """Return the error for a header line that cannot be used."""
    return LinkWrongDevice(
        "Lines come, but their header cannot be used.", trouble, "docs/own-pod.md has an example."
    )


def another_pod(hello: Hello) -> LinkWrongDevice:
    """Return the error for a pod other than the one expected."""
    return LinkWrongDevice(
        f"Another pod answers: '{hello.name or hello.identity.hex()}'.",
        "Pods were swapped, or the port now belongs to another one.",
        "Plug the pod of this wheel in again.",
    )


def gone_silent(silent_s: float) -> LinkTimeout:
    """Return the error for a link that is open and carries nothing."""
    return LinkTimeout(
        f"Nothing has come from the pod for {silent_s:.1f} s.",
        "It lost power, hangs, or is out of reach.",
        "Check cable and battery; the program goes on by itself when it is back.",
    )


def link_ended() -> LinkLost:
    """Return the error for a command that the end of the link overtook."""
    return LinkLost("The link has ended.", "The recording or the simulation is over.")


def cannot_take(command: Command, state: State, *, text_pod: bool) -> KnuckleError:
    """Return the error for a command that cannot be sent now."""
    if text_pod:
        return LinkWrongDevice(
            f"The pod cannot take {command.name}.", "A pod of the text format only sends."
        )
    return LinkLost(
        f"The pod cannot take {command.name} now.",
        f"The session stands at: {state.value}.",
        "Wait until the pod streams.",
    )
