"""The emulated board: the pod's own program, run instruction by instruction.

::

    links/avr.py -> pod.py (car, person, sensors' feed) -> client.py
        --(socket)--> firmware/build/bench

The emulator is a process of its own; firmware/bench/README.md lists its commands.
"""
