"""What a reading of the reference is worth: protractor, digital gauge, sine bar."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

ROOT_3: Final = math.sqrt(3.0)


class ReferenceKind(StrEnum):
    """Kinds of reference; the names are those of the JSON output."""

    PROTRACTOR = "protractor"
    GAUGE = "gauge"
    SINE_BAR = "sine_bar"


def rectangular(half_width: float) -> float:
    """Return the standard uncertainty of a limit: anything within it is as likely.

    GUM (JCGM 100:2008) 4.3.7.
    """
    return half_width / ROOT_3


@dataclass(frozen=True, slots=True)
class Reference:
    """An instrument whose readings the pod is held against.

    Attributes
    ----------
    kind : ReferenceKind
    resolution_deg : float
        Smallest step that is read off. Its error (rectangular, half a step either way) is
        shared by all readings that show the same number: setting the same number again does
        not average it.
    reading_deg : float
        Standard uncertainty of one reading beside resolution. It averages.
    zero_deg : float
        Standard uncertainty of the zero, common to all readings: it never averages.
    scale : float
        Relative standard uncertainty of its scale, common to all readings.
    name : str
        As people call it.
    """

    kind: ReferenceKind
    resolution_deg: float
    reading_deg: float
    zero_deg: float
    scale: float
    name: str = ""

    def __post_init__(self) -> None:
        figures = (self.resolution_deg, self.reading_deg, self.zero_deg, self.scale)
        if any(not math.isfinite(figure) or figure < 0.0 for figure in figures):
            raise ValueError("uncertainties of a reference are finite and not negative")

    @property
    def resolution_u_deg(self) -> float:
        """Standard uncertainty that the resolution leaves in one reading."""
        return rectangular(self.resolution_deg / 2.0)

    def common_u_deg(self, angle_deg: float) -> float:
        """Return what no number of readings averages, at an angle (one sigma)."""
        return math.hypot(self.zero_deg, self.scale * angle_deg)


def stated_reference(
    kind: ReferenceKind,
    *,
    resolution_deg: float,
    accuracy_deg: float,
    reach_deg: float,
    reading_deg: float = 0.0,
    scale: float | None = None,
    name: str = "",
) -> Reference:
    """Return a reference known by what is printed on it.

    Parameters
    ----------
    kind : ReferenceKind
    resolution_deg : float
        Smallest step that is read off.
    accuracy_deg : float
        The limit (plus or minus) that its maker states, or the user.
    reach_deg : float
        Largest angle from zero that will be set. Where nothing is said of the scale, the
        error is taken to differ between zero and there by as much as the accuracy: a limit on
        each reading says nothing about how two of them differ.
    reading_deg : float
        Standard uncertainty of one reading beside resolution (parallax, judging a bubble).
    scale : float or None
        Limit of the relative scale error (0.01 for 1 %), if one is stated.
    name : str
    """
    if scale is None:
        scale = accuracy_deg / reach_deg if reach_deg > 0.0 else 0.0
    return Reference(
        kind,
        resolution_deg,
        reading_deg,
        rectangular(accuracy_deg),
        rectangular(scale),
        name,
    )


@dataclass(frozen=True, slots=True)
class SetAngle:
    """An angle that a sine bar sets.

    Attributes
    ----------
    angle_deg : float
    height_u_deg : float
        What the stacks' heights leave: shared by all settings of the same stacks.
    length_u_deg : float
        What the bar's length leaves: common to all settings, in proportion to the tangent.
    """

    angle_deg: float
    height_u_deg: float
    length_u_deg: float

    @property
    def u_deg(self) -> float:
        """Combined standard uncertainty."""
        return math.hypot(self.height_u_deg, self.length_u_deg)


@dataclass(frozen=True, slots=True)
class SineBar:
    """A bar on two cylinders, raised by stacks of known height.

    Attributes
    ----------
    length_mm : float
        Between the cylinders' axes.
    length_u_mm : float
        Standard uncertainty.
    height_u_mm : float
        Standard uncertainty of one stack's height.
    """

    length_mm: float
    length_u_mm: float
    height_u_mm: float

    def __post_init__(self) -> None:
        if not self.length_mm > 0.0 or self.length_u_mm < 0.0 or self.height_u_mm < 0.0:
            raise ValueError("a sine bar's length is above zero, its uncertainties not below")

    def angle(self, high_mm: float, low_mm: float = 0.0) -> SetAngle:
        """Return the angle of the bar against what it stands on.

        Parameters
        ----------
        high_mm, low_mm : float
            Heights of the stacks. The low one is 0 where that cylinder stands on the surface;
            then it has no error.

        Raises
        ------
        ValueError
            If the heights differ by as much as the bar is long, or more.

        Notes
        -----
        sin(angle) = (high - low) / length; the derivatives are 1 / (length cos) for a height
        and -tan / length for the length.
        """
        sine = (high_mm - low_mm) / self.length_mm
        if abs(sine) >= 1.0:
            raise ValueError("the stacks differ in height by the bar's length or more")
        angle = math.asin(sine)
        stacks = sum(height != 0.0 for height in (high_mm, low_mm))
        height = self.height_u_mm * math.sqrt(stacks) / (self.length_mm * math.cos(angle))
        length = abs(math.tan(angle)) * self.length_u_mm / self.length_mm
        return SetAngle(math.degrees(angle), math.degrees(height), math.degrees(length))

    def reference(self, *, surface_deg: float, name: str = "sine bar") -> Reference:
        """Return the reference this bar makes on a surface.

        Parameters
        ----------
        surface_deg : float
            Standard uncertainty of the surface's slope along the bar, common to all settings.
        """
        return Reference(
            ReferenceKind.SINE_BAR, 0.0, 0.0, surface_deg, self.length_u_mm / self.length_mm, name
        )
