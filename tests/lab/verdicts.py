"""What came out, line by line, and whether all is as it must be."""

from __future__ import annotations


class Verdicts:
    """Prints and counts."""

    def __init__(self) -> None:
        self._good = 0
        self._bad: list[str] = []

    def tell(self, line: str) -> None:
        """Print a line that judges nothing."""
        print(f"   {line}", flush=True)

    def judge(self, good: bool, line: str) -> None:
        """Print a line with its verdict."""
        print(f"{'ok' if good else 'BAD'} {line}", flush=True)
        if good:
            self._good += 1
        else:
            self._bad.append(line)

    def close(self) -> int:
        """Print the sum; return the exit code."""
        print(f"{self._good} as they must be, {len(self._bad)} not")
        for line in self._bad:
            print(f"BAD {line}")
        return 1 if self._bad or not self._good else 0
