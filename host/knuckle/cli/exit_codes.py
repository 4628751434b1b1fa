"""What the program's exit code says; a wrong word on the command line is 2, as usual."""

from __future__ import annotations

from typing import Final

DONE: Final = 0
FAILED: Final = 1
REFUSED: Final = 3
INTERRUPTED: Final = 130
