"""Where the store's file is."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import platformdirs

STORE_FILE_NAME: Final = "runs.sqlite3"


def default_store_path() -> Path:
    """Return the store in the platform's folder for a user's data; nothing is created."""
    return platformdirs.user_data_path("knuckle", appauthor=False) / STORE_FILE_NAME


def resolve_store_path(override: str | Path | None = None) -> Path:
    """Return the file to use.

    Parameters
    ----------
    override : str or Path, optional
        A file, or an existing folder (the store is then `STORE_FILE_NAME` in it).
    """
    if override is None or str(override) == "":
        return default_store_path()
    path = Path(override).expanduser()
    return path / STORE_FILE_NAME if path.is_dir() else path
