"""What the board's program needs: flash, static memory, worst stack.

Run from the firmware folder: ``python3 -m footprint --elf FILE --frames FOLDER``. Needs nothing
but Python and avr-binutils.

The worst stack is a bound found without running the program: the frames that the compiler
states (``-fstack-usage``), summed along the calls that the disassembly shows, from ``main``,
plus the deepest interrupt. Interrupts do not nest. What cannot be followed is an error, never
left out: an unknown frame, a computed jump, a call through a pointer that `pointers` does not
explain, recursion.
"""
