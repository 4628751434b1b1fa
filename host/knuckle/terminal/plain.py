"""Signs that an old code page cannot show, written with those that it can."""

from __future__ import annotations

import codecs
from typing import Final

ERRORS: Final = "knuckle.plain"
"""Name of the error handler, for `io.TextIOWrapper.reconfigure`."""

_PLAIN: Final = {"±": "+-", "°": " deg", "−": "-", "–": "-", "…": "...", "’": "'"}


def _in_plain_signs(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    wanted = error.object[error.start : error.end]
    return "".join(_PLAIN.get(sign, "?") for sign in wanted), error.end


def register() -> None:
    """Make the handler known; may be called again."""
    codecs.register_error(ERRORS, _in_plain_signs)
