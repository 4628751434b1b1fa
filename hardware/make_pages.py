#!/usr/bin/env python3
"""Check the pod's plan and write what is made from it: ``python hardware/make_pages.py``.

With ``--check`` nothing is written, and what is out of date is named. Needs schemdraw (in the
extra `test`).
"""

import sys

from podplan.making import main

if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
