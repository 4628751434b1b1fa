"""What the commands on stored runs share: the store, the run meant, its pod, its samples."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from knuckle.cli.invocation import invocation
from knuckle.errors import UsageError

if TYPE_CHECKING:
    from rich.console import Console

    from knuckle.store.arrivals import SampleClock
    from knuckle.store.database import Store
    from knuckle.store.recording import Decoded
    from knuckle.store.rows import RunDetail, StreamRow

LONG_WORK: Final = 300_000
"""Bytes or rows from which on work is shown as it goes; less takes a second at most."""

RunArgument = Annotated[
    str,
    typer.Argument(metavar="RUN", help="Number of the run, as `knuckle runs` shows it; or last."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object.")]
OutOption = Annotated[
    Path | None,
    typer.Option("--out", metavar="FILE", help="File to write; else named after the run."),
]
PodOnWheelOption = Annotated[
    str | None,
    typer.Option("--wheel", metavar="WHEEL", help="Which wheel's pod, where a run has several."),
]
ForceOption = Annotated[bool, typer.Option("--force", help="Replace files that exist.")]


def open_store(ctx: typer.Context, *, read_only: bool = True) -> Store:
    """Open the store that the settings name."""
    from knuckle.store.database import Store

    return Store(invocation(ctx).settings.store, read_only=read_only)


def run_number(store: Store, run: str) -> int:
    """Read which run is meant: its number, or "last".

    Raises
    ------
    UsageError
        If it is no number, or there is no last one.
    """
    if run.strip().lower() == "last":
        newest = store.runs(1)
        if not newest:
            raise UsageError(
                "The store keeps no runs yet.", "", "`knuckle demo` makes a first one."
            )
        return newest[0].run_id
    if not (run.isascii() and run.isdigit()) or len(run) > 18:
        raise UsageError(
            f"{run!r} is not the number of a run.",
            "",
            "Give a number that `knuckle runs` shows, or the word last.",
        )
    return int(run)


def chosen_stream(detail: RunDetail, wheel: str | None) -> StreamRow:
    """Return the pod on a wheel, or the only one.

    Raises
    ------
    UsageError
        If there is none, or several and no wheel is named.
    """
    number = detail.summary.run_id
    if not detail.streams:
        raise UsageError(f"Run {number} has no pod.", "", f"See `knuckle show {number}`.")
    names = [row.wheel or "none" for row in detail.streams]
    if wheel is None:
        if len(detail.streams) > 1:
            raise UsageError(
                f"Run {number} has {len(names)} pods, on {', '.join(names)}.",
                "",
                "Say which with --wheel.",
            )
        return detail.streams[0]
    wanted = wheel.strip().upper()
    for row, name in zip(detail.streams, names, strict=True):
        if name.upper() == wanted:
            return row
    if len(detail.streams) == 1 and any(item.outcome.wheel == wanted for item in detail.results):
        return detail.streams[0]
    raise UsageError(
        f"Run {number} has no pod on {wheel!r}.",
        f"Its pods stood on: {', '.join(names)}.",
        "Name one of them with --wheel.",
    )


def decoded_stream(store: Store, detail: RunDetail, row: StreamRow) -> Decoded:
    """Decode a stream of a run; long ones show how far it is."""
    from knuckle.store.recording import decode_run

    number = detail.summary.run_id
    with working(f"reading run {number}", row.byte_count) as progress:
        return decode_run(store, number, row.stream, progress)


def sample_clocks(store: Store, detail: RunDetail) -> dict[int, SampleClock]:
    """Return when each stream's samples were taken, by its number."""
    clocks = {
        row.stream: decoded_stream(store, detail, row).clock
        for row in detail.streams
        if row.byte_count
    }
    return {stream: clock for stream, clock in clocks.items() if clock is not None}


def file_stem(detail: RunDetail, wheel: str | None) -> str:
    """Return the name, without suffix, of a file made of a run."""
    return f"run-{detail.summary.run_id}" + (f"-{wheel}" if wheel else "")


def working(label: str, size: float) -> AbstractContextManager[Callable[[float], None]]:
    """Show how far long work is, on standard error; short work passes in silence."""
    from rich.console import Console

    from knuckle.terminal.progress import long_work

    if size < LONG_WORK:
        return _silent()
    return long_work(Console(stderr=True, highlight=False), label, size)


@contextmanager
def _silent() -> Iterator[Callable[[float], None]]:
    yield lambda _done: None


def plus_minus(console: Console) -> str:
    """Return the sign as the output can show it."""
    from knuckle.terminal.glyphs import glyphs_for

    return glyphs_for(console.encoding).plus_minus


def print_json(content: dict[str, Any]) -> None:
    """Print an object in ASCII only, so that it passes through any code page."""
    typer.echo(json.dumps(content, indent=2, allow_nan=False))
