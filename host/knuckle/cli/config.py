"""``knuckle config``: every setting, its value and where that comes from."""

from __future__ import annotations

import textwrap

import typer

from knuckle.cli.invocation import invocation
from knuckle.config import FILE_VARIABLE, SETTINGS, settings_file


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("config")(show)


def _shown(value: object) -> str:
    if value is None:
        return "(none)"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return ",".join(str(item) for item in value)
    return str(value)


def show(ctx: typer.Context) -> None:
    """Show every setting, its value and where that comes from.

    An option wins over a KNUCKLE_* variable, that over the settings file, that over the default.
    """
    settings = invocation(ctx).settings
    for setting in SETTINGS:
        value = _shown(getattr(settings, setting.name))
        typer.echo(f"{setting.name:8} {value}")
        typer.echo(f"         {setting.text}; from: {settings.origins[setting.name]}")
    path = settings_file()
    state = "read" if path.is_file() else "does not exist, which is fine"
    typer.echo(f"\nSettings file: {path}")
    typer.echo(f"               ({state}; {FILE_VARIABLE} names another)")
    variables = ", ".join(setting.variable for setting in SETTINGS)
    typer.echo(textwrap.fill(f"Variables:     {variables}", 79, subsequent_indent=" " * 15))
