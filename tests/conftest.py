"""What all tests share: data from outside the project."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

IN_CI = os.environ.get("CI", "").lower() in ("1", "true", "yes")
"""As tests/run.py reads it."""
_TOP = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="session")
def outside_data() -> Callable[[str], Path]:
    """Return the path of a file of test data from elsewhere.

    The folder is `KNUCKLE_TEST_DATA`, by default ../shared/data beside the repository. A
    file that is not there skips the test with the reason, and fails it in CI.
    """
    folder = Path(os.environ.get("KNUCKLE_TEST_DATA") or _TOP.parent / "shared" / "data")

    def find(name: str) -> Path:
        path = folder / name
        if not path.exists():
            reason = f"test data from elsewhere is not there: {path} (set KNUCKLE_TEST_DATA)"
            if IN_CI:
                pytest.fail(reason)
            pytest.skip(reason)
        return path

    return find
