"""Car files on the disk: read whole, written only where there is none."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from knuckle.car.problems import Problem, error_of, line_of
from knuckle.car.reading import car_of
from knuckle.car.writing import text_of
from knuckle.errors import UsageError
from knuckle.model.car import Car

SUFFIX: Final = ".toml"
LARGEST_BYTES: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class CarFile:
    """A car file as it was read.

    Attributes
    ----------
    path : Path
    car : Car
    document : dict
        Its tables.
    digest : str
        SHA-256 of its bytes, hexadecimal.
    """

    path: Path
    car: Car
    document: dict[str, Any]
    digest: str


def path_of(name: str) -> Path:
    """Return the path that is meant: `.toml` may be left off."""
    if not name.strip():
        raise UsageError("The car file's name is empty.", "", "Name it: mycar.toml.")
    path = Path(name).expanduser()
    return path if path.suffix.lower() == SUFFIX else path.with_name(path.name + SUFFIX)


def read_car(path: Path) -> CarFile:
    """Read a car file.

    Raises
    ------
    UsageError
        If there is no such file, it is no TOML, or something in it is wrong.
    """
    text, digest = _text(path)
    document = _document(path, text)
    car, problems = car_of(document)
    if car is None:
        raise error_of(str(path), text, problems)
    return CarFile(path, car, document, digest)


def check_car(path: Path) -> list[tuple[int | None, Problem]]:
    """Return all that is wrong in a file, with the lines; empty if it is sound.

    Raises
    ------
    UsageError
        If there is no such file, or it is no TOML.
    """
    text, _ = _text(path)
    _, problems = car_of(_document(path, text))
    return [(line_of(text, problem), problem) for problem in problems]


def kept_car(document: Mapping[str, Any]) -> Car:
    """Return the car of tables that were checked before they were kept.

    Raises
    ------
    UsageError
        If they cannot be read all the same.
    """
    car, problems = car_of(document)
    if car is None:
        raise error_of("the car as kept in the store", "", problems)
    return car


def write_new(path: Path, document: Mapping[str, Any]) -> None:
    """Write a car file; one that exists is left as it is.

    Raises
    ------
    UsageError
        If the file exists, or cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text_of(document))
    except FileExistsError as error:
        raise exists(path) from error
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written: {error.strerror or error}.",
            "The folder is missing or read-only, or the disk is full.",
            "Choose another place.",
        ) from error


def exists(path: Path) -> UsageError:
    """Return the error that a file is there already."""
    return UsageError(
        f"The file {path} exists already, and is left as it is.",
        "",
        "Choose another name, or change the file with a text editor.",
    )


def _text(path: Path) -> tuple[str, str]:
    try:
        if path.is_file() and path.stat().st_size > LARGEST_BYTES:
            raise UsageError(
                f"{path} is no car file: it is larger than {LARGEST_BYTES} bytes.",
                "",
                "Check the path.",
            )
        data = path.read_bytes()
    except FileNotFoundError as error:
        raise UsageError(
            f"There is no car file {path}.",
            "",
            f"Check the path, or make it: `knuckle car new {path}`.",
        ) from error
    except OSError as error:
        raise UsageError(
            f"The car file {path} cannot be read: {error.strerror or error}.", "", "Check the path."
        ) from error
    try:
        # utf-8-sig: some editors put a mark before the first byte.
        return data.decode("utf-8-sig"), hashlib.sha256(data).hexdigest()
    except UnicodeDecodeError as error:
        raise UsageError(
            f"{path} is no text in UTF-8: byte {error.start} is none.",
            "It was saved in another encoding, or is another kind of file.",
            "Save it as UTF-8.",
        ) from error


def _document(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UsageError(
            f"{path} is no TOML: {error}.",
            "A quote or bracket is missing, a key is given twice, or a number has a decimal comma.",
            "docs/car-file.md has an example.",
        ) from error
    except RecursionError as error:
        raise UsageError(f"{path} is no car file: nested too deeply.", "", "Check it.") from error
