"""The deepest stack below a function."""

from __future__ import annotations

from dataclasses import dataclass

from footprint.errors import Unbounded
from footprint.frames import frame_name
from footprint.listing import Function
from footprint.pointers import TARGETS, members_called

RETURN_ADDRESS = 2
# The compiler's shared beginnings and ends of functions (-mcall-prologues): a function jumps into
# the first and is jumped back to; what they push stands in that function's frame.
SHARED = ("__prologue_saves__", "__epilogue_restores__")


@dataclass(frozen=True)
class Path:
    """The deepest chain of calls from a function on: its bytes and the functions' names."""

    size: int
    names: tuple[str, ...]


class Program:
    """The functions of a program with their frames and calls.

    Parameters
    ----------
    functions
        From the listing, inner labels joined.
    frames
        Bytes of stack by function, from the .su files.
    """

    def __init__(self, functions: list[Function], frames: dict[str, int]) -> None:
        self.functions = functions
        self._frames = frames
        self._by_address = {f.start: f for f in functions}
        self._by_name: dict[str, Function] = {f.name: f for f in functions}
        self._deepest: dict[int, Path] = {}

    def labels(self) -> dict[str, int]:
        """Return the address of each function."""
        return {name: function.start for name, function in self._by_name.items()}

    def frame(self, function: Function) -> int:
        """Return the bytes that the function itself takes, its return address included.

        The compiler's figure is held against the pushes in the code, and the larger counts; a
        routine of assembly has these only.
        """
        counted = function.pushes() + RETURN_ADDRESS
        name = frame_name(function.name, self._frames)
        return counted if name is None else max(self._frames[name], counted)

    def frame_of(self, name: str) -> int:
        """Return the bytes that the named function itself takes."""
        return self.frame(self._by_name[name])

    def callees(self, function: Function) -> list[Function]:
        """Return the functions that a function can call or jump to."""
        found = []
        for address in function.calls():
            callee = self._at(address, function)
            if callee.name not in SHARED:
                found.append(callee)
            elif frame_name(function.name, self._frames) is None:
                raise Unbounded(f"{function.name} uses {callee.name} and has no stated frame")
        # A function of C that seems to run on ends in a call that never returns.
        if function.falls_through() and frame_name(function.name, self._frames) is None:
            found.append(self._at(function.end, function))
        for instruction in function.instructions:
            if instruction.name in ("eicall", "eijmp"):
                raise Unbounded(f"{function.name} holds {instruction.name}")
            if instruction.name in ("icall", "ijmp"):  # ijmp: the call that ends a function
                for member in members_called(instruction, function):
                    found.append(self._by_name[TARGETS[member]])
        return found

    def _at(self, address: int, caller: Function) -> Function:
        if address in self._by_address:
            return self._by_address[address]
        for function in self.functions:
            if function.start < address < function.end:
                return function
        raise Unbounded(f"{caller.name} calls {address:#x}, where nothing is")

    def deepest(self, name: str) -> Path:
        """Return the deepest chain from the named function on.

        Raises
        ------
        Unbounded
            If it can call itself, or calls what cannot be followed.
        """
        return self._descend(self._by_name[name], ())

    def _descend(self, function: Function, above: tuple[str, ...]) -> Path:
        if function.start in self._deepest:
            return self._deepest[function.start]
        if function.name in above:
            raise Unbounded("recursion: " + " -> ".join((*above, function.name)))
        below = [self._descend(c, (*above, function.name)) for c in self.callees(function)]
        further = max(below, key=lambda path: path.size, default=Path(0, ()))
        path = Path(self.frame(function) + further.size, (function.name, *further.names))
        self._deepest[function.start] = path
        return path

    def reached(self, roots: list[str]) -> list[Function]:
        """Return every function that can run, from the roots on."""
        seen: dict[int, Function] = {}
        waiting = [self._by_name[root] for root in roots]
        while waiting:
            function = waiting.pop()
            if function.start not in seen:
                seen[function.start] = function
                waiting += self.callees(function)
        return list(seen.values())

    def interrupts(self) -> list[str]:
        """Return the names of the interrupt handlers, ``__vector_<number>``."""
        return [f.name for f in self.functions if f.name.startswith("__vector_")]
