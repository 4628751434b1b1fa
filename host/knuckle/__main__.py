"""``python -m knuckle`` is the program."""

from __future__ import annotations

from knuckle.cli.app import main

if __name__ == "__main__":
    main()
