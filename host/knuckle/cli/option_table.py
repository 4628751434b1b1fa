"""Options that come as a table: one row each, described once, added to several commands."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable, Sequence
from typing import Annotated, Any, NamedTuple, get_type_hints

import typer

_LATER: dict[str, Any] = {"Priors": object}
"""Types of arguments that are built from tables: imported only where a command runs."""


class OptionRow(NamedTuple):
    """One option whose value is read as text.

    Attributes
    ----------
    name : str
        With underscores; its flag has hyphens.
    metavar : str
    default : str
        In words, for the help.
    help : str
    """

    name: str
    metavar: str
    default: str
    help: str

    @property
    def flag(self) -> str:
        """As it is typed."""
        return "--" + self.name.replace("_", "-")


def with_table(
    command: Callable[..., Any],
    rows: Sequence[OptionRow],
    panel: str,
    argument: str,
    build: Callable[[dict[str, str | None]], Any],
) -> Callable[..., Any]:
    """Give a command the options of a table; it receives what is built of them.

    Parameters
    ----------
    command : callable
    rows : sequence of OptionRow
    panel : str
        Heading above them in the help.
    argument : str
        The command's argument that takes what `build` returns.
    build : callable
        From what was typed, by name, None where nothing was.
    """

    @functools.wraps(command)
    def wrapper(*args: Any, **words: Any) -> Any:
        typed = {row.name: words.pop(row.name) for row in rows}
        return command(*args, **{argument: build(typed)}, **words)

    added = [
        inspect.Parameter(
            row.name,
            inspect.Parameter.KEYWORD_ONLY,
            default=None,
            annotation=Annotated[
                str | None,
                typer.Option(
                    row.flag,
                    help=f"{row.help} [default: {row.default}]",
                    metavar=row.metavar,
                    rich_help_panel=panel,
                    show_default=False,
                ),
            ],
        )
        for row in rows
    ]
    own = inspect.signature(command)
    # Typer takes a given signature as it is, and so would read the annotations as bare text.
    hints = get_type_hints(command, localns=_LATER, include_extras=True)
    kept = [
        parameter.replace(annotation=hints[name])
        for name, parameter in own.parameters.items()
        if name != argument
    ]
    wrapper.__signature__ = own.replace(parameters=[*kept, *added])  # type: ignore[attr-defined]  # inspect reads it
    notes = {name: hint for name, hint in hints.items() if name != argument}
    wrapper.__annotations__ = notes | {p.name: p.annotation for p in added}
    return wrapper
