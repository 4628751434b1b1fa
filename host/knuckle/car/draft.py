"""Answers to `knuckle car new` before the file is whole: each is on the disk at once."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Final

from knuckle.errors import UsageError

_FORMAT: Final = "knuckle car answers"


class Draft:
    """The answers so far, in a file beside the car file that is to come.

    Parameters
    ----------
    target : Path
        The car file.

    Attributes
    ----------
    path : Path
    answers : dict of str to str
        As typed, by the questions' identities; empty where a question was passed over.
    """

    def __init__(self, target: Path) -> None:
        self.path = target.with_name(target.name + ".part")
        self.answers: dict[str, str] = {}
        try:
            content = json.loads(self.path.read_text(encoding="utf-8"))
            if content["format"] == _FORMAT:
                self.answers = {str(key): str(text) for key, text in content["answers"].items()}
        except FileNotFoundError:
            pass
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise UsageError(
                f"The answers kept in {self.path} cannot be read.",
                "The file is damaged, or another program's.",
                "Move it away, and begin anew.",
            ) from error

    def keep(self, identity: str, text: str) -> None:
        """Keep an answer: whole, or not at all.

        Raises
        ------
        UsageError
            If it cannot be written.
        """
        self.answers[identity] = text
        new = self.path.with_name(self.path.name + ".new")
        try:
            with new.open("w", encoding="utf-8", errors="backslashreplace") as file:
                json.dump({"format": _FORMAT, "version": 1, "answers": self.answers}, file)
                file.flush()
                os.fsync(file.fileno())
            new.replace(self.path)
        except OSError as error:
            raise UsageError(
                f"Answers cannot be kept in {self.path}: {error.strerror or error}.",
                "The folder is missing or read-only, or the disk is full.",
                "Choose another place.",
            ) from error

    def drop(self) -> None:
        """Remove the file: the car file is written."""
        self.path.unlink(missing_ok=True)
