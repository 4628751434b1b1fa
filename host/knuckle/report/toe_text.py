"""What is told of toe beside its value in degrees, and of a calibration as an outcome."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from knuckle.model.result import Outcome, PlacedTouch, Quantity


def touch_lines(touches: Sequence[PlacedTouch]) -> Iterator[str]:
    """Yield a table of the touches, in the order in which they were taken."""
    timed = any(touch.start_s is not None for touch in touches)
    yield "   no  place " + ("   from s     to s " if timed else "") + "   to the string mm"
    for number, touch in enumerate(touches, start=1):
        when = ""
        if timed:
            times = (touch.start_s, touch.end_s)
            when = "".join("        -" if t is None else f"{t:>9.1f}" for t in times)
        length = f"{touch.length_mm:8.2f} ± {touch.length_expanded_uncertainty_mm:.2f}"
        yield f"  {number:>3}  {touch.place.value:<6}{when}   {length}"


def toe_lines(outcome: Outcome) -> Iterator[str]:
    """Yield toe in minutes of arc, in mm and in inches."""

    def pair(name: str, decimals: int) -> str:
        value, u = (
            float(outcome.details[key])
            for key in (f"toe_{name}", f"toe_expanded_uncertainty_{name}")
        )
        return f"{value:+.{decimals}f} ± {u:.{decimals}f}"

    yield (f"That is {pair('min', 1)} minutes, or {pair('mm', 2)} mm ({pair('in', 3)} in)")
    yield f"over {float(outcome.details['over_mm']):.0f} mm. {_way(outcome)}"
    if "touch_scatter_mm" in outcome.details:
        scatter = float(outcome.details["touch_scatter_mm"])
        yield f"Repeated touches scatter by {scatter:.2f} mm (one sigma)."


def line_lines(outcome: Outcome) -> Iterator[str]:
    """Yield the straight line of a linear channel's calibration, from its outcome alone."""
    found = {key: float(value) for key, value in outcome.details.items()}
    yield (
        f"Linear channel {found['channel']:.0f}: length = {found['gain']:.6f} x reading "
        f"{found['offset_mm']:+.4f} mm"
    )
    yield f"by {found['lengths']:.0f} known lengths; scatter {found['scatter_mm']:.4f} mm."


def _way(outcome: Outcome) -> str:
    result = outcome.results[Quantity.TOE]
    if abs(result.value) <= result.expanded_uncertainty:
        return "In or out cannot be told: zero lies inside the interval."
    return "Toe-in." if result.value > 0.0 else "Toe-out."
