"""Progress of long work: a bar on a terminal, a line at the start elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from knuckle.terminal.glyphs import glyphs_for


@contextmanager
def long_work(console: Console, label: str, total: float) -> Iterator[Callable[[float], None]]:
    """Show how far a piece of work is.

    Parameters
    ----------
    console : rich.console.Console
        Where to show it.
    label : str
        What is being done.
    total : float
        Its size, in any unit.

    Yields
    ------
    callable
        To be called with how much has been done since the last call.
    """
    if not console.is_terminal:
        console.print(f"{label} ...", markup=False, highlight=False)
        yield lambda _done: None
        return
    halves = glyphs_for(console.encoding).halves
    columns = [
        TextColumn("{task.description}", markup=False),
        TextColumn("{task.percentage:3.0f} %"),
    ]
    with Progress(
        *columns,
        *([BarColumn()] if halves else []),
        TimeRemainingColumn(),
        console=console,
        transient=True,
    ) as progress:
        task = progress.add_task(label, total=total)
        yield lambda done: progress.advance(task, done)


@contextmanager
def waiting(console: Console, label: str) -> Iterator[None]:
    """Show that something takes a while whose end is not known."""
    if not console.is_terminal:
        console.print(f"{label} ...", markup=False, highlight=False)
        yield
        return
    # "line" is the one spinner of plain ASCII.
    with console.status(f"{label} ...", spinner="line"):
        yield
