"""How often the 95 % intervals of an alignment's figures cover the truth, over drawn cars.

    python tests/benchmarks/alignment.py [CARS]

Pads, strings, rims rolled half a turn, pairs of wheels, toe-out on turns, curves through travel,
predicted adjustments: drawn as `tests/alignment/drawn.py` says, with a car built in space by
scipy rotations. Wanted: 93 to 97 %; more where a budget is wide on purpose (said below).
"""

from __future__ import annotations

import sys
from pathlib import Path

# In place of this folder, in which "alignment" is this very file.
sys.path[0] = str(Path(__file__).resolve().parents[1])

from alignment.drawn import STUDIES, coverage

WIDE = {
    "pairs": "correlations below one stand for what only mostly cancels",
    "turns": "the law between rest and 20 deg is a bound",
    "adjustments": "3 % for arcs that the drawn links have not; a Birge ratio of two",
    "rims": "the runout stated is that of a rim as the trade accepts it, drawn smaller or larger",
    "pads": "between warp and the level's own error only bounds are known",
}


def main() -> None:
    """Print a table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print(f"{'figure':44s} {'covered':>8s} {'drawn':>6s}")
    for study in STUDIES:
        for figure, (share, drawn) in coverage(study, count).items():
            print(f"{figure:44s} {100.0 * share:7.1f}% {drawn:6d}")
        if study in WIDE:
            print(f"    wide: {WIDE[study]}")
    print(f"covered over {count} drawn cars")


if __name__ == "__main__":
    main()
