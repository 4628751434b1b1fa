"""Imports run one way: command line, run and report, links and store, wire, mathematics."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "host" / "knuckle"

MATHEMATICS = {
    "model",
    "geometry",
    "estimate",
    "analysis",
    "rests",
    "calibrate",
    "agreement",
    "noise",
    "alignment",
}
ALLOWED: dict[str, set[str]] = {
    "__init__": set(),
    "__main__": {"cli"},
    "errors": set(),
    "quantities": {"errors"},
    "config": {"errors", "model", "store"},
    "model": {"errors"},
    "geometry": {"model", "errors"},
    "rests": {"model", "errors"},
    "estimate": {"model", "errors", "geometry", "rests"},
    "analysis": {"model", "errors", "geometry", "rests", "estimate"},
    "calibrate": {"model", "errors", "geometry", "rests", "estimate"},
    "noise": {"model", "errors", "rests", "estimate"},
    "agreement": {"model", "errors"},
    "alignment": {"model", "errors", "geometry", "estimate", "analysis"},
    "car": {"model", "errors", "quantities"},
    "job": {"model", "errors", "estimate", "alignment", "store", "car"},
    "wire": {"model", "errors"},
    "timebase": {"model", "errors", "wire"},
    "sim": {"model", "errors", "geometry", "wire"},
    "bench": {"model", "errors", "wire", "sim"},
    "links": {"model", "errors", "wire", "store", "sim", "bench"},
    "store": {"model", "errors", "wire", "timebase"},
    "run": MATHEMATICS | {"errors", "links", "wire", "timebase", "store"},
    "report": MATHEMATICS | {"errors", "store", "wire", "timebase", "car", "job"},
    "terminal": {"errors", "model", "wire"},
}
ALLOWED["cli"] = set(ALLOWED) | {"cli"}
THIRD_PARTY_OF_MATHEMATICS = {"numpy", "scipy"}
DRAWING = {"matplotlib", "pandas", "pyarrow"}


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def area(path: Path) -> str:
    inside = path.relative_to(PACKAGE)
    return inside.parts[0] if len(inside.parts) > 1 else inside.stem


def imported(tree: ast.AST) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide the direction"
            module = node.module or ""
            names |= {f"{module}.{alias.name}" for alias in node.names}
    return names


def runs_at_import(tree: ast.Module) -> ast.Module:
    """Drop function bodies and what only type checkers read."""

    class Outside(ast.NodeTransformer):
        def visit_FunctionDef(self, _: ast.FunctionDef) -> None:
            return None

        def visit_AsyncFunctionDef(self, _: ast.AsyncFunctionDef) -> None:
            return None

        def visit_If(self, node: ast.If) -> ast.If | None:
            return None if ast.unparse(node.test) == "TYPE_CHECKING" else node

    kept = Outside().visit(tree)
    assert isinstance(kept, ast.Module)
    return kept


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_run_one_way(path: Path) -> None:
    here = area(path)
    assert here in ALLOWED, f"{here} has no row in the table of layers"
    names = imported(ast.parse(path.read_text(encoding="utf-8")))
    own = {name.split(".")[1] for name in names if name.startswith("knuckle.")}
    own -= {here, "__version__"}
    assert own <= ALLOWED[here], f"{here} must not import {sorted(own - ALLOWED[here])}"
    if here in MATHEMATICS:
        tops = {name.split(".")[0] for name in names} - {"knuckle", "__future__"}
        standard = set(__import__("sys").stdlib_module_names)
        assert tops - standard <= THIRD_PARTY_OF_MATHEMATICS
        assert not tops & {"time", "asyncio", "sqlite3", "socket", "threading", "subprocess"}


@pytest.mark.parametrize("path", sorted((PACKAGE / "cli").glob("*.py")), ids=lambda path: path.stem)
def test_commands_import_lazily(path: Path) -> None:
    tree = runs_at_import(ast.parse(path.read_text(encoding="utf-8")))
    heavy = {name.split(".")[0] for name in imported(tree)} & (DRAWING | THIRD_PARTY_OF_MATHEMATICS)
    assert not heavy


def test_the_check_sees_a_wrong_direction() -> None:
    names = imported(ast.parse("def f():\n    from knuckle.cli import app\n"))
    assert {name.split(".")[1] for name in names} - ALLOWED["store"] == {"cli"}
