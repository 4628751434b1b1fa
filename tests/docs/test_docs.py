"""The documents keep up with the program."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer.main

from knuckle import errors
from knuckle.cli.app import COMMANDS, build
from knuckle.config import SETTINGS
from knuckle.wire.messages import Cue

TOP = Path(__file__).resolve().parent.parent.parent
DOCS = TOP / "docs"


def section(text: str, heading: str) -> str:
    """Return what stands below a heading, up to the next of its level; empty if it is not there."""
    level = heading.split(" ", maxsplit=1)[0]
    found = re.search(
        rf"^{re.escape(heading)}$(.*?)(?=^{level} |\Z)", text, re.MULTILINE | re.DOTALL
    )
    return found[1] if found else ""


def options_of(name: str | None) -> list[str]:
    """Return every option's name as the command line takes it."""
    command = typer.main.get_command(build())
    if name is not None:
        command = command.commands[name]  # type: ignore[attr-defined]  # the program is a group
    # A command may be a group of several, such as `linear`: all their options.
    whole = [command, *getattr(command, "commands", {}).values()] if name is not None else [command]
    return [
        word
        for each in whole
        for parameter in each.params
        for word in (*parameter.opts, *parameter.secondary_opts)
        if word.startswith("-")
    ]


def commands() -> list[str]:
    return sorted(typer.main.get_command(build()).commands)  # type: ignore[attr-defined]  # a group


@pytest.mark.parametrize("name", commands())
def test_every_command_and_option_is_documented(name: str) -> None:
    text = section((DOCS / "using.md").read_text(encoding="utf-8"), f"## knuckle {name}")
    assert text, f"docs/using.md has no section '## knuckle {name}'"
    documented = set(re.findall(r"(?<![\w-])--?[a-z][\w-]*", text))
    assert set(options_of(name)) - {"--help", "-h"} <= documented
    assert documented <= {*options_of(name), *options_of(None), "--help"}, "no longer an option"


def test_every_general_option_is_documented() -> None:
    text = section((DOCS / "using.md").read_text(encoding="utf-8"), "## Options for every command")
    missing = [option for option in options_of(None) if f"`{option}" not in text]
    assert missing == []


@pytest.mark.parametrize("name", ["README.md", "docs/using.md", "docs/alignment.md"])
def test_documents_name_only_commands_that_exist(name: str) -> None:
    text = (TOP / name).read_text(encoding="utf-8")
    named = set(re.findall(r"(?:^    |`)knuckle ([a-z]+)", text, re.MULTILINE))
    named |= set(re.findall(r"host[/\\]start\.py ([a-z]+)", text))
    assert named, "the pattern finds nothing any more"
    assert named <= set(commands())


def test_every_command_module_registers() -> None:
    assert len(commands()) >= len(COMMANDS)


def test_every_setting_is_documented() -> None:
    text = section((DOCS / "using.md").read_text(encoding="utf-8"), "## Settings")
    for setting in SETTINGS:
        assert f"`{setting.name}` | `{setting.variable}`" in text


def test_every_cue_is_documented() -> None:
    text = section((DOCS / "using.md").read_text(encoding="utf-8"), "## Cues")
    for cue in Cue:
        if cue is not Cue.SILENT:
            assert f"| {cue.name.lower().replace('_', ' ')} |" in text


def test_every_error_is_in_troubleshooting() -> None:
    text = (DOCS / "troubleshooting.md").read_text(encoding="utf-8")
    kinds = [
        name
        for name, value in vars(errors).items()
        if isinstance(value, type) and issubclass(value, errors.KnuckleError)
    ]
    missing = [name for name in kinds if name != "KnuckleError" and f"`{name}`" not in text]
    assert missing == []


def documents() -> list[Path]:
    return sorted([*TOP.glob("*.md"), *DOCS.glob("*.md"), *TOP.glob("*/README.md")])


@pytest.mark.parametrize("path", documents(), ids=lambda path: str(path.relative_to(TOP)))
def test_links_between_documents_lead_somewhere(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", text):
        if "://" not in target:
            assert (path.parent / target).exists(), f"{path.name} points to {target}"


@pytest.mark.parametrize(
    "words",
    [
        "raised car on pads",
        "nobody under",
        "reaches behind a wheel",
        "pinned before jacking",
        "chocks",
        "neutral",
        "engine off",
        "column\nunlocked",
        "foot brake",
        "parking brake\ndoes not hold the front wheels",
        "torque the wheel nuts",
        "test drive",
        "local rules",
        "qualified",
    ],
)
def test_safety_covers(words: str) -> None:
    text = " ".join((DOCS / "safety.md").read_text(encoding="utf-8").lower().split())
    assert " ".join(words.split()) in text.replace("**", "")
