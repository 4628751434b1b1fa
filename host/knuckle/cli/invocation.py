"""What every command starts from: the settings, and the ways to show and sound things."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING

import typer

from knuckle.config import Settings

if TYPE_CHECKING:
    from rich.console import Console

    from knuckle.store.rows import JobOf
    from knuckle.terminal.screen import Screen
    from knuckle.terminal.sounds import Sounds


@dataclass(frozen=True, slots=True)
class Invocation:
    """One call of the program.

    Attributes
    ----------
    settings : Settings
        As gathered from options, environment, file and defaults.
    job : JobOf or None
        Runs made meanwhile belong to it.
    """

    settings: Settings
    job: JobOf | None = None

    def console(self) -> Console:
        """Return the console for results: standard output."""
        from rich.console import Console

        return Console(file=sys.stdout, highlight=False)

    def screen(self) -> Screen:
        """Return the view that suits standard output: live on a terminal, else plain lines."""
        from knuckle.terminal.screen import make_screen

        return make_screen(self.console(), plain=self.settings.plain)

    def sounds(self) -> Sounds:
        """Return the player of cues, silent if so set."""
        from knuckle.terminal.sounds import Sounds

        return Sounds(enabled=self.settings.sound)


def invocation(ctx: typer.Context) -> Invocation:
    """Return what the program's callback has put into the context."""
    found = ctx.find_object(Invocation)
    if found is None:
        raise RuntimeError("the program's own callback did not run")
    return found
