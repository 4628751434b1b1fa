"""Checked tables: dataclasses whose fields know their limits, built from TOML.

One declaration gives the default, the limits and the line in docs/simulation.md.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import Any, TypeVar, get_type_hints

from knuckle.errors import UsageError

T = TypeVar("T")

_TRUE = {"true", "yes", "on", "1"}
_FALSE = {"false", "no", "off", "0"}


def key(
    default: Any,
    doc: str,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    choices: Sequence[str] = (),
) -> Any:
    """Declare a scenario key.

    Parameters
    ----------
    default : object
        Value when the file is silent; something callable makes it (a sub-table's class).
    doc : str
        What it does; units are in the key's name.
    low, high : float
        Inclusive limits of numbers.
    choices : sequence of str
        Allowed words.
    """
    metadata = {"doc": doc, "low": low, "high": high, "choices": tuple(choices)}
    if callable(default):
        return dataclasses.field(default_factory=default, metadata=metadata)
    return dataclasses.field(default=default, metadata=metadata)


def build(cls: type[T], table: Mapping[str, Any], source: str, path: str = "") -> T:
    """Make a `cls` from a table, checking every key and value.

    Parameters
    ----------
    cls : type
        A dataclass whose fields were declared with `key`.
    table : mapping
        As read from TOML; numbers may also be text, as they come from an address.
    source : str
        File or address, named in errors.
    path : str
        Where in the file the table stands, for errors.

    Raises
    ------
    UsageError
        Naming file, key and what is allowed.
    """
    fields = {f.name: f for f in dataclasses.fields(cls)}  # type: ignore[arg-type]  # T is a dataclass
    hints = get_type_hints(cls)
    values: dict[str, Any] = {}
    for name, value in table.items():
        where = f"{path}{name}"
        if name not in fields:
            near = difflib.get_close_matches(name, fields, n=1)
            raise UsageError(
                f"{source}: there is no key {where!r}.",
                f"Allowed here: {', '.join(fields)}.",
                f"Did you mean {path}{near[0]}?" if near else "docs/simulation.md lists all keys.",
            )
        values[name] = _value(hints[name], fields[name], value, source, where)
    return cls(**values)


def _wrong(source: str, where: str, value: object, allowed: str) -> UsageError:
    return UsageError(f"{source}: {where} = {value!r} cannot be used.", f"Allowed: {allowed}.")


def _value(hint: Any, field: dataclasses.Field[Any], value: Any, source: str, where: str) -> Any:
    if dataclasses.is_dataclass(hint) and isinstance(hint, type):
        if not isinstance(value, Mapping):
            raise _wrong(source, where, value, "a table of keys")
        return build(hint, value, source, f"{where}.")
    if hint is bool:
        return _truth(value, source, where)
    if hint is float or hint is int:
        return _number(hint, field, value, source, where)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        try:
            return hint(str(value))
        except ValueError:
            raise _wrong(source, where, value, ", ".join(hint)) from None
    if hint is str:
        choices = field.metadata["choices"]
        if not isinstance(value, str) or (choices and value not in choices):
            raise _wrong(source, where, value, ", ".join(choices) or "text")
        return value
    return _numbers(hint, field, value, source, where)


def _truth(value: Any, source: str, where: str) -> bool:
    if isinstance(value, bool):
        return value
    word = value.lower() if isinstance(value, str) else ""
    if word in _TRUE | _FALSE:
        return word in _TRUE
    raise _wrong(source, where, value, "true, false")


def _number(kind: type, field: dataclasses.Field[Any], value: Any, source: str, where: str) -> Any:
    low, high = field.metadata["low"], field.metadata["high"]
    allowed = f"a {'whole ' if kind is int else ''}number from {low:g} to {high:g}"
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise _wrong(source, where, value, allowed)
    try:
        number = kind(value)
    except ValueError:
        raise _wrong(source, where, value, allowed) from None
    if (kind is int and float(value) != number) or not low <= number <= high:
        raise _wrong(source, where, value, allowed)
    return number


def _numbers(
    hint: Any, field: dataclasses.Field[Any], value: Any, source: str, where: str
) -> tuple[Any, ...]:
    """A list: as long as the default when the hint fixes a length, else of any length."""
    args = hint.__args__
    open_ended = args[-1] is Ellipsis
    if isinstance(value, str):
        value = [part.strip() for part in value.split(",") if part.strip()]
    if not isinstance(value, Sequence):
        raise _wrong(source, where, value, "a list")
    if not open_ended and len(value) != len(args):
        raise _wrong(source, where, value, f"a list of {len(args)}")
    element = args[0]
    if isinstance(element, type) and issubclass(element, StrEnum):
        return tuple(_value(element, field, item, source, where) for item in value)
    return tuple(_number(element, field, item, source, where) for item in value)
