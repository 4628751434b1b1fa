"""Reading of the NIST sets and the 17-subject table (from outside the project)."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np

Find = Callable[[str], Path]


def numbers(find: Find, name: str) -> np.ndarray:
    """Return the rows below the rule of dashes in a NIST/SEMATECH e-Handbook file."""
    lines = find(f"nist/{name}").read_text(encoding="latin-1").splitlines()
    start = max(i for i, line in enumerate(lines) if re.fullmatch(r"\s*-{10,}\s*", line)) + 1
    return np.array(
        [[float(cell) for cell in line.split()] for line in lines[start:] if line.strip()]
    )


def flow_meters(find: Find) -> dict[str, np.ndarray]:
    """Return the table of Bland & Altman, Lancet 1986; 327: 307-310, by column."""
    path = find("bland_altman_1986_pefr.csv")
    names = path.read_text(encoding="utf-8").splitlines()[0].split(",")
    return dict(zip(names, np.loadtxt(path, delimiter=",", skiprows=1).T, strict=True))
