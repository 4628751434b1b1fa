"""The tables of docs/simulation.md, made from the declarations themselves.

``python -m knuckle.sim.reference docs/simulation.md`` writes them between the file's marks; a test
checks that they are up to date.
"""

from __future__ import annotations

import dataclasses
import math
import sys
import tomllib
from collections.abc import Iterator
from enum import StrEnum
from importlib import resources
from pathlib import Path
from typing import Any, get_type_hints

from knuckle.errors import UsageError
from knuckle.sim.scenario import Scenario, names

BEGIN, END = "<!-- begin {} -->", "<!-- end {} -->"


def key_table() -> str:
    """Return a section with a table for every table of keys, as Markdown."""
    return "\n".join(_sections(Scenario, "")).strip() + "\n"


def scenario_table() -> str:
    """Return the table of built-in scenarios, as Markdown."""
    lines = ["| scenario | what it is |", "|---|---|"]
    folder = resources.files("knuckle.sim") / "scenarios"
    for name in names():
        about = tomllib.loads((folder / f"{name}.toml").read_text(encoding="utf-8"))["about"]
        lines.append(f"| `{name}` | {about} |")
    return "\n".join(lines) + "\n"


def with_tables(text: str) -> str:
    """Return a document with its tables brought up to date.

    Raises
    ------
    UsageError
        If a mark is missing.
    """
    for name, table in (("keys", key_table()), ("scenarios", scenario_table())):
        begin, end = BEGIN.format(name), END.format(name)
        if begin not in text or end not in text:
            raise UsageError(f"The document has no marks {begin} and {end}.")
        before, rest = text.split(begin, 1)
        text = f"{before}{begin}\n{table}{end}{rest.split(end, 1)[1]}"
    return text


def _sections(cls: type[Any], path: str, about: str = "") -> Iterator[str]:
    hints = get_type_hints(cls)
    fields = [(field, hints[field.name]) for field in dataclasses.fields(cls)]
    plain = [(f, hint) for f, hint in fields if not dataclasses.is_dataclass(hint)]
    if plain:
        yield f"### `[{path[:-1]}]`\n" if path else "### Top level\n"
        yield f"{about}\n" if about else "Above all tables of the file.\n"
        yield "| key | default | allowed | what it does |\n|---|---|---|---|"
        for field, hint in plain:
            default = _shown(field.default)
            does = field.metadata["doc"]
            yield f"| `{field.name}` | {default} | {_allowed(field, hint)} | {does} |"
        yield ""
    seen: set[type[Any]] = set()
    for field, hint in fields:
        if dataclasses.is_dataclass(hint) and hint not in seen:
            assert isinstance(hint, type)
            seen.add(hint)
            same = [f.name for f, other in fields if other is hint]
            name = f"{path}{'|'.join(same)}."
            told = field.metadata["doc"] if len(same) == 1 else str(hint.__doc__)
            yield from _sections(hint, name, told)


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, tuple):
        return "[" + ", ".join(_shown(item) for item in value) + "]"
    return f"{value:g}" if isinstance(value, float) else f"{value}" if value != "" else "(empty)"


def _allowed(field: dataclasses.Field[Any], hint: Any) -> str:
    if hint is bool:
        return "true, false"
    if hint is str:
        return "text"
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return ", ".join(hint)
    if hint not in (int, float):
        element = hint.__args__[0]
        size = "any number of" if hint.__args__[-1] is Ellipsis else str(len(hint.__args__))
        if isinstance(element, type) and issubclass(element, StrEnum):
            return f"list of {', '.join(element)}"
        return f"{size}, each {_limits(field)}"
    return _limits(field)


def _limits(field: dataclasses.Field[Any]) -> str:
    low, high = field.metadata["low"], field.metadata["high"]
    if math.isinf(high):
        return f"{low:.10g} or more"
    return f"{low:.10g} to {high:.10g}"


if __name__ == "__main__":
    document = Path(sys.argv[1])
    document.write_text(with_tables(document.read_text(encoding="utf-8")), encoding="utf-8")
