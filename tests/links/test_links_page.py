"""docs/links.md and the udev rule say what the program does."""

from __future__ import annotations

import inspect
import re
from pathlib import Path

import pytest

from knuckle import errors
from knuckle.errors import LinkError, UsageError
from knuckle.links.schemes import SCHEMES, open_link

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "links.md").read_text(encoding="utf-8")
RULE = ROOT / "docs" / "udev" / "70-knuckle.rules"


@pytest.mark.parametrize("scheme", sorted(SCHEMES))
def test_every_kind_of_link_and_all_its_options_are_on_the_page(scheme: str) -> None:
    with pytest.raises(UsageError) as caught:
        open_link(f"{scheme}:x?no_such_option=1")
    known = caught.value.next_step.removeprefix("It knows: ").rstrip(".").split(", ")
    row = next(line for line in PAGE.splitlines() if line.startswith(f"| `{scheme}:"))
    for option in known:
        assert f"`{option}=" in row


def test_every_error_of_a_link_is_on_the_page() -> None:
    kinds = [
        name
        for name, kind in inspect.getmembers(errors, inspect.isclass)
        if issubclass(kind, LinkError) and kind is not LinkError
    ]
    assert len(kinds) >= 6
    for name in kinds:
        assert f"| `{name}` |" in PAGE


def test_the_addresses_on_the_page_can_be_read() -> None:
    rows = [line.split("|")[1] for line in PAGE.splitlines() if re.match(r"\| `\w+:", line)]
    addresses = [address for row in rows for address in re.findall(r"`(\w+:[^`]*)`", row)]
    assert len(addresses) >= 6
    for address in addresses:
        if not address.endswith(".toml"):
            open_link(address.replace("SCENARIO", "garage"))


def test_the_udev_rule_is_well_formed_and_named_on_the_page() -> None:
    assert "udev/70-knuckle.rules" in PAGE
    assert int(RULE.name[:2]) < 73  # 73-seat-late.rules acts on the tag "uaccess"
    match = r'[A-Z_]+(\{[A-Za-z_]+\})?(==|!=|=|\+=)"[^"]*"'
    labels, targets = set(), set()
    for line in RULE.read_text(encoding="utf-8").splitlines():
        if line and not line.startswith("#"):
            assert re.fullmatch(rf"{match}(, {match})*", line), line
            labels |= set(re.findall(r'LABEL="([^"]+)"', line))
            targets |= set(re.findall(r'GOTO="([^"]+)"', line))
    assert labels == targets
