"""Where a pod is, as the user writes it: ``scheme:place?option=value&option=value``."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from knuckle.errors import UsageError

OptionReader = Callable[[str], Any]
"""Turns what was typed into a value; raises ValueError with the reason."""


@dataclass(frozen=True, slots=True)
class Address:
    """A pod's address in its parts.

    Attributes
    ----------
    scheme : str
        The kind of link, lower case, e.g. ``serial``.
    place : str
        Port, scenario or file; may be empty.
    options : dict of str to str
        What follows the question mark, as typed.
    """

    scheme: str
    place: str
    options: Mapping[str, str] = field(default_factory=dict)

    def __str__(self) -> str:
        tail = "&".join(f"{name}={value}" for name, value in self.options.items())
        return f"{self.scheme}:{self.place}" + (f"?{tail}" if tail else "")


def parse_address(text: str) -> Address:
    """Split an address.

    Raises
    ------
    UsageError
        If it has no scheme or an option without a value.
    """
    text = text.strip()
    scheme, colon, rest = text.partition(":")
    if not colon or len(scheme) < 2 or not scheme.isalpha():
        raise UsageError(
            f"'{text}' is no pod address.",
            "An address starts with its kind and a colon.",
            f"Write {_suggestion(text)}.",
        )
    place, _, tail = rest.partition("?")
    options: dict[str, str] = {}
    for part in filter(None, tail.split("&")):
        name, equals, value = part.partition("=")
        if not equals or not name:
            raise UsageError(
                f"'{part}' in the address '{text}' is no option.",
                next_step=f"Write options as name=value, e.g. {scheme}:{place}?speed=1.",
            )
        options[name.strip()] = value.strip()
    return Address(scheme.lower(), place, options)


def _suggestion(text: str) -> str:
    if re.fullmatch(r"(?i)com\d+", text) or text.startswith("/dev/"):
        return f"'serial:{text}'"
    if re.match(r"[A-Za-z]:[\\/]", text) or "/" in text or "." in text:
        return f"'file:{text}'"
    if re.fullmatch(r"(?i)([0-9a-f]{2}:){5}[0-9a-f]{2}", text):
        return f"'ble:{text}'"
    if text.lower() in ("sim", "avr", "serial", "ble"):
        return f"'{text.lower()}:'"
    return "'serial:PORT', 'ble:NAME', 'sim:' or 'file:NAME'"


def read_options(
    address: Address,
    readers: Mapping[str, OptionReader],
    given: Mapping[str, Any],
    inner: frozenset[str] = frozenset(),
) -> dict[str, Any]:
    """Return an address's options as values, with those given by the program laid over them.

    Parameters
    ----------
    readers : mapping of str to callable
        The options this kind of link knows.
    given : mapping of str to object
        Values that need no reading; a None is as good as absent.
    inner : frozenset of str
        Options that only a program gives, never an address.

    Raises
    ------
    UsageError
        If an option is unknown or its value cannot be read.
    """
    known = ", ".join(sorted(readers)) or "none"
    values: dict[str, Any] = {}
    for name, typed in address.options.items():
        if name not in readers:
            raise UsageError(
                f"'{address.scheme}:' has no option '{name}'.", next_step=f"It knows: {known}."
            )
        try:
            values[name] = readers[name](typed)
        except ValueError as error:
            raise UsageError(
                f"'{typed}' is no value for the option '{name}' of '{address.scheme}:'.",
                str(error)[:1].upper() + str(error)[1:] + ".",
            ) from error
    for name, value in given.items():
        if name not in readers and name not in inner:
            raise UsageError(
                f"'{address.scheme}:' has no option '{name}'.", next_step=f"It knows: {known}."
            )
        if value is not None:
            values[name] = value
    return values


def speed(typed: str) -> float:
    """Read a replay speed: 0 as fast as possible, 1 in real time."""
    try:
        value = float(typed)
    except ValueError:
        raise ValueError("a speed is a number: 0 as fast as possible, 1 real time") from None
    if not 0.0 <= value <= 1e6:
        raise ValueError("a speed is 0 (as fast as possible) or more")
    return value


def whole_number(typed: str) -> int:
    """Read a whole number, 0 or more."""
    if not (typed.isascii() and typed.isdigit()):
        raise ValueError("a whole number is expected")
    return int(typed)


def choice(*allowed: str) -> OptionReader:
    """Return a reader that accepts one of the words `allowed`."""

    def read(typed: str) -> str:
        if typed not in allowed:
            raise ValueError(f"one of {', '.join(allowed)} is expected")
        return typed

    return read
