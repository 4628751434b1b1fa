"""What is stated of a reference: by option, asked once, or kept from the last time."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Final, TypeVar

from knuckle.errors import UsageError
from knuckle.quantities import angle_deg, length_mm, one_or_two, percentage

if TYPE_CHECKING:
    from knuckle.agreement.comparison import ReferenceReading
    from knuckle.agreement.reference import Reference, SineBar
    from knuckle.store.database import Store

FORMAT: Final = "knuckle stated reference"
VERSION: Final = 1
KINDS: Final = {"protractor": "protractor", "gauge": "gauge", "sine-bar": "sine_bar"}
STEEPEST_DEG: Final = 60.0
LENGTH_U_MM: Final = 0.05
HEIGHT_U_MM: Final = 0.02
"""Of a bar measured with a caliper, and of drill shanks: common practice, no source."""
T = TypeVar("T")


@dataclass(frozen=True)
class Stated:
    """A reference as its owner states it; None where nothing is said.

    Attributes
    ----------
    kind : str
        "protractor", "gauge" or "sine-bar".
    resolution_deg, accuracy_deg : float
        Smallest step; limit, plus or minus. Of a sine bar the accuracy is that of the level of
        the surface under it.
    scale : float or None
        Limit of the relative scale error.
    reading_deg : float
        Standard uncertainty of one reading beside the step.
    bar_mm, bar_u_mm, height_u_mm : float or None
        Of a sine bar.
    """

    kind: str
    resolution_deg: float
    accuracy_deg: float
    scale: float | None = None
    reading_deg: float = 0.0
    bar_mm: float | None = None
    bar_u_mm: float = LENGTH_U_MM
    height_u_mm: float = HEIGHT_U_MM

    def bar(self) -> SineBar | None:
        """Return the sine bar, if it is one."""
        from knuckle.agreement.reference import SineBar

        if self.bar_mm is None:
            return None
        return SineBar(self.bar_mm, self.bar_u_mm, self.height_u_mm)

    def reference(self, reach_deg: float) -> Reference:
        """Return what its readings are worth up to an angle."""
        from knuckle.agreement.reference import ReferenceKind, rectangular, stated_reference

        bar = self.bar()
        if bar is not None:
            return bar.reference(surface_deg=rectangular(self.accuracy_deg))
        return stated_reference(
            ReferenceKind(KINDS[self.kind]),
            resolution_deg=self.resolution_deg,
            accuracy_deg=self.accuracy_deg,
            reach_deg=reach_deg,
            reading_deg=self.reading_deg,
            scale=self.scale,
            name=self.kind,
        )

    def lines(self) -> str:
        """Return it in one line of words."""
        if self.bar_mm is not None:
            return (
                f"sine bar, {self.bar_mm:g} mm (u {self.bar_u_mm:g} mm), stacks u "
                f"{self.height_u_mm:g} mm, surface level to +-{self.accuracy_deg:g} deg"
            )
        return (
            f"{self.kind}, read to {self.resolution_deg:g} deg, "
            f"stated accuracy +-{self.accuracy_deg:g} deg"
        )


@dataclass(frozen=True)
class Typed:
    """The options on a reference as typed; None where they are not given."""

    kind: str | None = None
    resolution: str | None = None
    accuracy: str | None = None
    scale: str | None = None
    reading: str | None = None
    bar: str | None = None
    stack: str | None = None

    @property
    def anything(self) -> bool:
        """Whether any was given."""
        return any(value is not None for value in asdict(self).values())


def stated(typed: Typed, store: Store, *, may_ask: bool) -> Stated:
    """Return the reference: by option, as kept, or as answered now; new ones are kept.

    Parameters
    ----------
    typed : Typed
    store : Store
        Open for writing.
    may_ask : bool
        Whether somebody is there to answer.

    Raises
    ------
    UsageError
        If something is missing or cannot be read.
    """
    if not typed.anything:
        kept = newest(store)
        if kept is not None:
            return kept
    found = _complete(typed, may_ask)
    store.add_calibration("", {"format": FORMAT, "version": VERSION, **asdict(found)})
    return found


def newest(store: Store) -> Stated | None:
    """Return the reference that was kept last; None if there is none that can be read."""
    for row in store.calibrations():
        record = dict(row.record)
        if record.pop("format", None) != FORMAT or record.pop("version", None) != VERSION:
            continue
        try:
            return Stated(**record)
        except TypeError:
            continue
    return None


def _complete(typed: Typed, may_ask: bool) -> Stated:
    kind = _needed(
        typed.kind, "--reference", "Reference: protractor, gauge or sine-bar?", _kind, may_ask
    )
    scale = None if typed.scale is None else _not_negative(percentage(typed.scale), "--scale")
    reading = 0.0 if typed.reading is None else _size(typed.reading)
    if kind == "sine-bar":
        bar_mm, bar_u_mm = _needed(
            typed.bar,
            "--bar",
            "Length of the bar between its cylinders, mm (100, or 100/0.02 with its own "
            "uncertainty)?",
            _bar,
            may_ask,
        )
        level = _needed(
            typed.accuracy,
            "--accuracy",
            "How level is the surface under it, deg, plus or minus?",
            _size,
            may_ask,
        )
        height_u_mm = HEIGHT_U_MM if typed.stack is None else length_mm(typed.stack)
        _not_negative(height_u_mm, "--stack-u")
        return Stated(kind, 0.0, level, scale, reading, bar_mm, bar_u_mm, height_u_mm)
    if typed.bar is not None or typed.stack is not None:
        raise UsageError("--bar and --stack-u belong to --reference sine-bar.")
    resolution = _needed(
        typed.resolution,
        "--resolution",
        "Smallest step that can be read off it, deg?",
        _size,
        may_ask,
    )
    accuracy = _needed(
        typed.accuracy,
        "--accuracy",
        "Its own accuracy as stated, deg, plus or minus?",
        _size,
        may_ask,
    )
    return Stated(kind, resolution, accuracy, scale, reading)


def _needed(
    given: str | None, flag: str, question: str, read: Callable[[str], T], may_ask: bool
) -> T:
    if given is not None:
        return read(given)
    if not may_ask:
        raise UsageError(
            f"{flag} is needed: nothing is known of the reference yet.",
            "",
            "Say --reference, --accuracy and --resolution (--bar for a sine bar); they are kept.",
        )
    while True:
        print(f"{question} ", end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
        if not line:
            raise UsageError(f"Nothing was typed, and {flag} is needed.")
        try:
            return read(line.strip())
        except UsageError as error:
            print(str(error), file=sys.stderr)


def _kind(text: str) -> str:
    word = text.strip().lower().replace("_", "-").replace(" ", "-")
    if word not in KINDS:
        raise UsageError(
            f"{text!r} is no kind of reference.", "", "Say protractor, gauge or sine-bar."
        )
    return word


def _size(text: str) -> float:
    return _not_negative(angle_deg(text), text)


def _not_negative(value: float, name: str) -> float:
    if value < 0.0:
        raise UsageError(f"{name}: an uncertainty cannot be negative.")
    return value


def _bar(text: str) -> tuple[float, float]:
    length, u_mm = one_or_two(text, length_mm)
    if length <= 0.0:
        raise UsageError(f"{text!r}: a bar is longer than nothing.")
    return length, _not_negative(LENGTH_U_MM if u_mm is None else u_mm, "--bar")


def as_fact(found: Stated) -> dict[str, Any]:
    """Return it as a run's facts keep it."""
    return {"format": FORMAT, "version": VERSION, **asdict(found)}


def reader(bar: SineBar | None) -> Callable[[str, int], ReferenceReading]:
    """Return what reads a typed line: an angle, or the stacks of a sine bar.

    Parameters
    ----------
    bar : SineBar or None

    Returns
    -------
    callable
        From text and number of the setting; raises `UsageError` if it cannot be read.
    """
    from knuckle.agreement.comparison import ReferenceReading

    def angle(text: str, setting: int) -> ReferenceReading:
        value = angle_deg(text)
        if abs(value) > STEEPEST_DEG:
            raise UsageError(f"{text.strip()}: angles up to {STEEPEST_DEG:g} deg can be set here.")
        return ReferenceReading(setting, value)

    def stacks(text: str, setting: int) -> ReferenceReading:
        assert bar is not None
        high, low = one_or_two(text, length_mm)
        if high < 0.0 or (low or 0.0) < 0.0:
            raise UsageError(
                f"{text.strip()}: a stack has no height below zero.",
                "",
                "For a negative angle write the heights the other way round, as 0/12.5.",
            )
        try:
            found = bar.angle(high, low or 0.0)
        except ValueError as error:
            raise UsageError(f"{text.strip()}: {error}.") from error
        return ReferenceReading(setting, found.angle_deg, shared_u_deg=found.height_u_deg)

    return angle if bar is None else stacks
