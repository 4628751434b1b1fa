"""``knuckle pods``: which pods are plugged in or in reach, by their own word."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import typer

from knuckle.cli.one_loop import carry_out
from knuckle.wire.messages import ChannelKind, ResetCause

if TYPE_CHECKING:
    from knuckle.links.discovery import FoundPort


WIDTH = 80


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("pods")(pods)


def pods(ctx: typer.Context) -> None:
    """List the pods that are plugged in or within reach over Bluetooth.

    Listens on the USB-serial ports, and to the Bluetooth devices that may be pods, for a pod's own
    hello; writes nothing to any of them. Exit code 1 if there is no pod.
    """
    from knuckle.cli.invocation import invocation
    from knuckle.links.discovery import by_pod, search
    from knuckle.terminal.progress import waiting

    console = invocation(ctx).console()
    with waiting(console, "Listening on the USB-serial ports and over Bluetooth"):
        searched = carry_out(search())
    for ways in by_pod(searched.found):
        typer.echo(described(*ways))
    if searched.no_bluetooth is not None:
        for line in textwrap.wrap(f"Bluetooth is not searched: {searched.no_bluetooth}", WIDTH):
            typer.echo(line)
    if not any(port.is_pod for port in searched.found):
        if not searched.found:
            where = "" if searched.no_bluetooth is not None else ", no pod is in reach"
            typer.echo(f"No USB-serial port is there{where}: plug the pod in, or try `--pod sim:`.")
        raise typer.Exit(1)


def _troubles(port: FoundPort) -> list[str]:
    """Return what is wrong with a pod by its own word, each with cause and next step."""
    from knuckle.run.fault_book import FaultBook
    from knuckle.run.fault_words import restart_words

    hello = port.hello
    if hello is None:
        return []
    book = FaultBook()
    book.met(hello)
    for fault in port.faults:
        book.take(fault)
    lines = [line for words in book.standing for line in words.lines()]
    if hello.reset_cause in (ResetCause.WATCHDOG, ResetCause.BROWN_OUT):
        lines.append(f"It has restarted: {restart_words(hello.reset_cause)}.")
    return lines


def _kind(kind: ChannelKind | int) -> str:
    return kind.name.lower() if isinstance(kind, ChannelKind) else f"unknown channel ({kind})"


def _head(port: FoundPort) -> str:
    """Return where a pod is: its address, and the adapter's name or the signal's strength."""
    from knuckle.links.ble_uart import BleDevice

    where = port.port
    if not isinstance(where, BleDevice):
        return f"{port.address}  ({where.name})" if where.name else port.address
    signal = "connected" if where.rssi_dbm is None else f"{where.rssi_dbm} dBm"
    name = f"{where.name}, " if where.name and where.place != where.name else ""
    return f"{port.address}  ({name}Bluetooth LE, {signal})"


def described(*ways: FoundPort) -> str:
    """Return what was heard of a pod, over one or several ways, as lines for people."""
    head = "\n".join(_head(port) for port in ways)
    port = ways[0]
    if port.hello is not None:
        hello = port.hello
        identity = hello.identity.hex() if any(hello.identity) else "none yet"
        version = ".".join(str(part) for part in hello.firmware)
        kinds = ", ".join(_kind(channel.kind) for channel in hello.channels) or "NO SENSOR"
        rate_hz = hello.tick_hz / (hello.raw_period_ticks * hello.averaging)
        return (
            f"{head}\n  pod {hello.name or '(no name)'}: {hello.hardware}, firmware {version}, "
            f"identity {identity}\n  {kinds}; {rate_hz:.4g} samples/s"
            + "".join(f"\n  {line}" for line in _troubles(port))
        )
    if port.text is not None:
        return f"{head}\n  pod of the text format: {', '.join(port.text.columns)}"
    problem = port.problem
    if problem is None:
        return f"{head}\n  nothing is known"
    return f"{head}\n  no pod: {' '.join(filter(None, (problem.what, problem.cause)))}" + (
        f"\n  next: {problem.next_step}" if problem.next_step else ""
    )
