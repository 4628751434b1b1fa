"""The simulated car and pod: known truth, human timing, data-sheet errors, faults to switch on.

::

    scenario (TOML) --(case: drawn by the seed)--> script of moves --> motion of the pod
      --(sensor)--> raw counts --> recording: a block at once, for studies
                               \\-> pod: bytes of the real wire --(line)--> link faults

Pure computing: no clock, no thread, no file but the scenario's. docs/simulation.md lists every key.
"""
