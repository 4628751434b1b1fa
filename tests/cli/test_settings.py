"""Option over environment over file over default; each wrong value names its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from knuckle.config import SETTINGS, resolve
from knuckle.errors import UsageError
from knuckle.model.wheel import Wheel


def test_precedence(tmp_path: Path) -> None:
    file = tmp_path / "config.toml"
    file.write_text('sound = false\nplain = true\norder = ["RF", "LF"]\n', encoding="utf-8")
    environment = {"KNUCKLE_CONFIG": str(file), "KNUCKLE_PLAIN": "no", "KNUCKLE_ORDER": "rr,lr"}
    settings = resolve({"order": "LF", "verbose": None}, environment)
    assert settings.sound is False
    assert settings.plain is False
    assert settings.order == (Wheel.LF,)
    assert settings.verbose is False
    assert settings.origins["sound"] == str(file)
    assert settings.origins["plain"] == "KNUCKLE_PLAIN"
    assert settings.origins["order"] == "option"
    assert settings.origins["verbose"] == "default"
    assert set(settings.origins) == {setting.name for setting in SETTINGS}


def test_defaults_need_no_file(tmp_path: Path) -> None:
    settings = resolve({}, {"XDG_CONFIG_HOME": str(tmp_path)})
    assert settings.order == tuple(Wheel)
    assert settings.store.name == "runs.sqlite3"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("sound = 3\n", ["'sound'", "true or false"]),
        ('pod = "ttyUSB0"\n', ["'pod'", "serial:COM3"]),
        ('order = "LF,LF"\n', ["'order'", "at most once"]),
        ('order = "LF,XX"\n', ["'order'"]),
        ("store = 3\n", ["'store'", "path"]),
        ("sounds = true\n", ["'sounds'", "no setting"]),
        ("sound = \n", ["not valid TOML"]),
        ("\udcff", ["cannot be read"]),
    ],
)
def test_wrong_file_is_named(tmp_path: Path, text: str, words: list[str]) -> None:
    file = tmp_path / "config.toml"
    file.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(UsageError) as caught:
        resolve({}, {"KNUCKLE_CONFIG": str(file)})
    told = str(caught.value)
    assert str(file) in told
    for word in words:
        assert word in told


def test_wrong_variable_is_named() -> None:
    with pytest.raises(UsageError, match="KNUCKLE_SOUND"):
        resolve({}, {"KNUCKLE_SOUND": "loud"})


def test_named_file_must_exist(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no settings file"):
        resolve({}, {"KNUCKLE_CONFIG": str(tmp_path / "none.toml")})
