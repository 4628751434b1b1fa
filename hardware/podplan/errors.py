"""What can be wrong with the plan's files."""

from __future__ import annotations

from pathlib import Path


class PlanError(ValueError):
    """A file of the plan cannot be used.

    Parameters
    ----------
    path : Path
        The file.
    line : int
        Its line, from 1; 0 for the file as a whole.
    what : str
        What is wrong.
    """

    def __init__(self, path: Path, line: int, what: str) -> None:
        place = f"{path.name}, line {line}" if line else path.name
        super().__init__(f"{place}: {what}")
