"""The frames that the compiler states in its .su files, return address included."""

from __future__ import annotations

from pathlib import Path

from footprint.errors import Unbounded


def parse_frames(text: str) -> dict[str, int]:
    """Return the bytes of stack of each function of one .su file.

    A line is ``file:line:column:function<TAB>bytes<TAB>kind``; the kind ``dynamic,bounded`` is a
    function that pushes arguments of its calls, which the figure holds.
    """
    frames: dict[str, int] = {}
    for line in text.splitlines():
        place, size, kind = line.split("\t")
        name = place.rsplit(":", 1)[1]
        if kind not in ("static", "dynamic,bounded"):
            raise Unbounded(f"{name} has a frame of no fixed size ({kind})")
        frames[name] = max(frames.get(name, 0), int(size))
    return frames


def read_frames(folder: Path) -> dict[str, int]:
    """Return the frames of all .su files below a folder; of two of one name the larger."""
    frames: dict[str, int] = {}
    for path in sorted(folder.rglob("*.su")):
        for name, size in parse_frames(path.read_text(encoding="utf-8")).items():
            frames[name] = max(frames.get(name, 0), size)
    return frames


def frame_name(label: str, frames: dict[str, int]) -> str | None:
    """Return the name under which a label's frame is known.

    The compiler's clones, ``name.part.0`` or ``name.constprop.3``, are stated without the last
    number; of several the largest counts.
    """
    parts = label.split(".")
    for end in range(len(parts), 0, -1):
        name = ".".join(parts[:end])
        if name in frames:
            return name
    return None
