"""What is made from the plan: the diagrams and the tables in the pages."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from podplan.casing import pictures
from podplan.drawing import draw
from podplan.errors import PlanError
from podplan.layout import lay_out, read_columns
from podplan.pages import pages, with_tables
from podplan.plan import HARDWARE, Plan, read_plan
from podplan.rules import check
from podplan.variants import VARIANTS


def diagrams(plan: Plan) -> dict[Path, str]:
    """Return each variant's diagram as SVG, by its file.

    Raises
    ------
    PlanError
        If layout.toml does not fit the plan.
    """
    path = HARDWARE / "layout.toml"
    columns = read_columns(path)
    made = {}
    for variant, title in VARIANTS.items():
        if variant not in columns:
            raise PlanError(path, 0, f"{variant} has no columns")
        pod = plan.pod(variant)
        layout = lay_out(pod, columns[variant], path)
        made[HARDWARE / "diagrams" / f"{variant}.svg"] = draw(pod, layout, title)
    return made


def everything(plan: Plan) -> dict[Path, str]:
    """Return all that is made from the plan, by file.

    Raises
    ------
    PlanError
        If a page asks for what is not there, or the layout does not fit.
    """
    made = diagrams(plan)
    made |= {HARDWARE / "diagrams" / f"{name}.svg": svg for name, svg in pictures().items()}
    for path in pages():
        made[path] = with_tables(plan, path, path.read_text(encoding="utf-8"))
    return made


def main(arguments: Sequence[str]) -> int:
    """Check the plan, then write, or with ``--check`` only compare, what is made from it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="write nothing; name what is stale")
    only_check = parser.parse_args(arguments).check
    try:
        plan = read_plan()
        found = check(plan)
        made = {} if found else everything(plan)
    except PlanError as error:
        found, made = [str(error)], {}
    for line in found:
        print(line, file=sys.stderr)
    stale = 0
    for path, text in made.items():
        if path.exists() and path.read_text(encoding="utf-8") == text:
            continue
        stale += 1
        print(f"{'stale' if only_check else 'written'}: {path.relative_to(HARDWARE)}")
        if not only_check:
            path.write_text(text, encoding="utf-8")
    return 1 if found or (only_check and stale) else 0
