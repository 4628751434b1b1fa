"""The settings, and where each value comes from.

An option on the command line wins over a ``KNUCKLE_*`` variable of the environment, that over
the settings file (TOML), that over the default. A further setting is one row of `SETTINGS`.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import platformdirs

from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel

PROGRAM: Final = "knuckle"
PREFIX: Final = "KNUCKLE_"
FILE_VARIABLE: Final = "KNUCKLE_CONFIG"
"""Names another settings file."""

_TRUE: Final = {"1", "true", "yes", "on"}
_FALSE: Final = {"0", "false", "no", "off"}


@dataclass(frozen=True, slots=True)
class Setting:
    """One row of the table of settings.

    Attributes
    ----------
    name : str
        As in the settings file; the variable is ``KNUCKLE_`` and the name in capitals.
    read : callable
        Turns text, or a value of the TOML file, into the setting's value; raises
        `ValueError` with what is expected.
    default : callable
        Gives the default.
    text : str
        What it is for.
    """

    name: str
    read: Callable[[Any], Any]
    default: Callable[[], Any]
    text: str

    @property
    def variable(self) -> str:
        """The variable of the environment that sets it."""
        return PREFIX + self.name.upper()


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of one call of the program.

    Attributes
    ----------
    store : Path
        The database file that keeps every run.
    log : Path
        The log file.
    pod : str or None
        Address of the pod, used where no ``--pod`` is given.
    order : tuple of Wheel
        In which order ``camber --all`` walks round the car.
    sound : bool
        Whether cues are heard.
    plain : bool
        Plain lines in place of the live view.
    verbose : bool
        Whether the log's messages are shown as well.
    origins : dict of str to str
        For each setting the place its value comes from, in words.
    """

    store: Path
    log: Path
    pod: str | None
    order: tuple[Wheel, ...]
    sound: bool
    plain: bool
    verbose: bool
    origins: dict[str, str]


def _switch(given: Any) -> bool:
    if isinstance(given, bool):
        return given
    word = str(given).strip().lower()
    if word in _TRUE:
        return True
    if word in _FALSE:
        return False
    raise ValueError("expected true or false")


def _path(given: Any) -> Path:
    if not isinstance(given, str | Path) or str(given).strip() in ("", "."):
        raise ValueError("expected the path of a file")
    return Path(given).expanduser()


def _store(given: Any) -> Path:
    from knuckle.store.location import resolve_store_path

    return resolve_store_path(_path(given))


def _default_store() -> Path:
    from knuckle.store.location import default_store_path

    return default_store_path()


def _address(given: Any) -> str | None:
    if given is None:
        return None
    if not isinstance(given, str) or ":" not in given:
        raise ValueError("expected an address such as serial:/dev/ttyUSB0, serial:COM3 or sim:")
    return given.strip()


def wheels_in_order(given: Any) -> tuple[Wheel, ...]:
    """Read wheels, each at most once: text parted by commas or spaces, or a list.

    Raises
    ------
    ValueError
        With what is expected.
    """
    words = given.replace(",", " ").split() if isinstance(given, str) else list(given)
    names = [str(word).strip().upper() for word in words]
    if not names or len(set(names)) != len(names) or not set(names) <= set(Wheel):
        raise ValueError("expected wheels such as LF,RF,LR,RR, each at most once")
    return tuple(Wheel(name) for name in names)


SETTINGS: Final[tuple[Setting, ...]] = (
    Setting("store", _store, _default_store, "database file that keeps every run"),
    Setting(
        "log",
        _path,
        lambda: platformdirs.user_log_path(PROGRAM, appauthor=False) / "knuckle.log",
        "log file",
    ),
    Setting("pod", _address, lambda: None, "address of the pod where no --pod is given"),
    Setting(
        "order", wheels_in_order, lambda: tuple(Wheel), "order in which camber --all goes round"
    ),
    Setting("sound", _switch, lambda: True, "audible cues"),
    Setting("plain", _switch, lambda: False, "plain lines in place of the live view"),
    Setting("verbose", _switch, lambda: False, "show the log's messages as well"),
)


def settings_file(environment: Mapping[str, str] = os.environ) -> Path:
    """Return the path of the settings file, whether or not it exists."""
    named = environment.get(FILE_VARIABLE, "").strip()
    if named:
        return Path(named).expanduser()
    return platformdirs.user_config_path(PROGRAM, appauthor=False) / "config.toml"


def _read_file(path: Path, named: bool) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            content = tomllib.load(file)
    except FileNotFoundError as error:
        if named:
            raise UsageError(
                f"There is no settings file {path}.",
                f"{FILE_VARIABLE} names it.",
                f"Create it, or unset {FILE_VARIABLE}.",
            ) from error
        return {}
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            f"The settings file {path} cannot be read.",
            str(error),
            "Put its permissions right, or move it away to work with the defaults.",
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise UsageError(
            f"The settings file {path} is not valid TOML.", f"{error}.", "Correct that place."
        ) from error
    known = [setting.name for setting in SETTINGS]
    for key in content:
        if key not in known:
            raise UsageError(
                f"The settings file {path} sets {key!r}, which is no setting.",
                "A typing error, or a setting of another version.",
                f"Known are: {', '.join(known)}.",
            )
    return content


def resolve(
    options: Mapping[str, Any] | None = None, environment: Mapping[str, str] = os.environ
) -> Settings:
    """Gather the settings from options, environment, file and defaults.

    Parameters
    ----------
    options : mapping, optional
        Values given on the command line by setting name; None means not given.
    environment : mapping, optional
        The environment's variables.

    Raises
    ------
    UsageError
        If a value is wrong or the file cannot be read; the text names the place.
    """
    path = settings_file(environment)
    in_file = _read_file(path, named=bool(environment.get(FILE_VARIABLE, "").strip()))
    values: dict[str, Any] = {}
    origins: dict[str, str] = {}
    for setting in SETTINGS:
        option = (options or {}).get(setting.name)
        if option is not None:
            given, origin = option, "option"
        elif environment.get(setting.variable, "").strip():
            given, origin = environment[setting.variable], setting.variable
        elif setting.name in in_file:
            given, origin = in_file[setting.name], str(path)
        else:
            values[setting.name], origins[setting.name] = setting.default(), "default"
            continue
        try:
            values[setting.name] = setting.read(given)
        except (ValueError, TypeError) as error:
            place = f"--{setting.name}" if origin == "option" else origin
            raise UsageError(
                f"The value {given!r} of the setting {setting.name!r} is not valid: {error}.",
                f"It comes from {place}.",
                "Correct it there; `knuckle config` shows where each value comes from.",
            ) from error
        origins[setting.name] = origin
    return Settings(**values, origins=origins)
