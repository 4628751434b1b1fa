"""The arithmetic of a whole alignment: pads, strings, axles, pairs of wheels, what to turn.

From results, lengths and a car's measures to corrected results, advice and comparisons.
docs/alignment-theory.md works each of them by hand.
"""
