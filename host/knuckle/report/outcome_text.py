"""An outcome as lines of text that fit 80 columns, the same on a terminal and in a file."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from knuckle.model.result import Notice, Outcome, PlacedRest, Quantity, Result
from knuckle.report.mount_text import mount_lines
from knuckle.report.toe_text import line_lines, toe_lines, touch_lines

WIDTH = 78

_NAMES = {
    Quantity.CAMBER: "Camber",
    Quantity.CASTER: "Caster",
    Quantity.SAI: "Steering-axis inclination",
    Quantity.TOE: "Toe",
    Quantity.TOTAL_TOE: "Total toe",
    Quantity.THRUST: "Thrust angle",
    Quantity.FRONT_HEADING: "Front wheels' mean heading",
    Quantity.CROSS_CAMBER: "Cross-camber",
    Quantity.CROSS_CASTER: "Cross-caster",
    Quantity.CROSS_SAI: "Cross-inclination",
    Quantity.INCLUDED: "Included angle",
    Quantity.CROSS_INCLUDED: "Cross-included angle",
    Quantity.TURN_OUT_LEFT: "Toe-out on a left turn",
    Quantity.TURN_OUT_RIGHT: "Toe-out on a right turn",
    Quantity.WHEELBASE_DIFFERENCE: "Wheelbase, left less right",
    Quantity.SETBACK: "Setback",
    Quantity.CAMBER_GAIN: "Camber gain",
    Quantity.BUMP_STEER: "Bump steer",
    Quantity.MOUNT_TILT: "Spin axis off +Y: tilt",
    Quantity.MOUNT_YAW: "Spin axis off +Y: yaw",
    Quantity.SEAT_TILT: "Mount alone: tilt",
    Quantity.SEAT_YAW: "Mount alone: yaw",
    Quantity.RUNOUT: "Runout of the rim",
    Quantity.CAMBER_ZERO: "Camber zero of the pod",
    Quantity.ZERO_X: "Zero of the pod along X",
    Quantity.ZERO_Y: "Zero of the pod along Y",
    Quantity.ZERO_Z: "Zero of the pod along Z",
    Quantity.SLOPE_X: "Slope along the pod's X",
    Quantity.SLOPE_Y: "Slope along the pod's Y",
    Quantity.SLOPE_Z: "Slope along the pod's Z",
}

_REMEDIES = {
    "noise": "stand still for longer, or visit each position again.",
    "gyro": "visit each position again.",
    "zero": "calibrate the pod with `knuckle calibrate`, with more poses.",
    "calibration": "calibrate the pod with `knuckle calibrate`, with more poses.",
    "chip_turn": "calibrate the pod with `knuckle calibrate`, the face run with it.",
    "nonlinearity": "take a part whose data sheet states less: gravity alone cannot show it well.",
    "temperature": "let the pod come to the temperature it was calibrated at, or calibrate it at a "
    "second one.",
    "gyro_calibration": "calibrate the gyro, or give turn-plate angles with --plates.",
    "gyro_turn": "calibrate the gyro, or give turn-plate angles with --plates.",
    "mount": "measure how the pod sits with `knuckle spin`, or check its seat on the rim; give "
    "what you know of it with --mount-tilt and --mount-yaw.",
    "roll": "hold the foot brake firmly, or wedge the pedal.",
    "straight_ahead": "measure this wheel's toe and give it with --toe.",
    "plates": "read the plates with care, or use a pod with a gyro.",
    "pads": "level the pads, or give their slopes with --pads-across, --pads-along.",
    "body_roll": "read the body's roll at each lock more closely.",
    "lever": "stop at each lock instead of passing through.",
    "scatter": "find out what moved, and measure again.",
    "linear": "take the play out of the linear sensor's linkage, or visit each position again.",
    "linear_geometry": "measure the linear sensor's lever and angles more closely, or use a longer "
    "lever.",
    "linear_calibration": "calibrate the sensor with `knuckle linear calibrate`, at five known "
    "lengths or more.",
    "reseat": "seat the pod anew more often, with clean feet on the same places.",
    "squareness": "measure the case's squareness and give it with --squareness, or calibrate with "
    "a face run.",
    "reversal": "turn the pod end for end more often: `knuckle reversal --readings 4`.",
    "turned": "turn the pod more exactly end for end, against a straight edge, or use a flatter "
    "surface.",
    "seating": "clean both surfaces, and turn the pod end for end more often.",
    "touch": "touch each place more often, at the same mark.",
    "rim_length": "measure the length between the touches more closely.",
    "height": "touch front and rear at the same height.",
    "typed": "read it with a finer instrument, and say how well (VALUE/U, one sigma).",
    "string": "set the string with more care, and give what you know of it with --string.",
    "runout": "measure again with the wheel rolled on by half a turn: the mean of both is free "
    "of it.",
    "tape": "measure these lengths again, from the same marks on both sides.",
    "fit": "take readings at more places, and farther apart.",
    "adjustment": "turn in steps and read in between: the car then shows its own answer.",
}

_READ_CLOSER = "touch each place more often, or read typed distances more closely (--typed-u)."


def outcome_lines(outcome: Outcome, notices: Sequence[str] = ()) -> Iterator[str]:
    """Yield the lines of an outcome.

    Parameters
    ----------
    outcome : Outcome
    notices : sequence of str
        What was left out in reading the recording.
    """
    yield f"{outcome.wheel}  {outcome.measure}".strip()
    if outcome.rests:
        yield ""
        yield "   no  position    from s     to s    camber deg       steer deg"
        for number, rest in enumerate(outcome.rests, start=1):
            yield _rest_line(number, rest)
    if outcome.touches:
        yield ""
        yield from touch_lines(outcome.touches)
    yield ""
    if outcome.refused is not None:
        yield f"No result: {outcome.refused.code}"
        yield from _wrapped(outcome.refused.text)
    for result in outcome.results.values():
        yield from result_lines(result)
    if outcome.measure == "sweep" and "chi_squared" in outcome.details:
        yield from _sweep_lines(outcome)
    if "included_left_deg" in outcome.details and "included_right_deg" in outcome.details:
        yield from _included_lines(outcome)
    if outcome.measure == "calibrate" and "poses" in outcome.details:
        from knuckle.report.calibration_text import fit_lines  # brings numpy along

        yield from fit_lines(outcome.details)
        yield ""
    if outcome.measure == "linear" and outcome.refused is None:
        yield from line_lines(outcome)
    if outcome.measure in ("spin", "reversal") and outcome.results:
        yield from mount_lines(outcome)
    if outcome.measure == "travel" and outcome.results:
        yield from _travel_lines(outcome)
    if outcome.measure == "toe" and outcome.results:
        yield from toe_lines(outcome)
    for warning in outcome.warnings:
        yield from _notice_lines(warning)
    for notice in notices:
        yield from _wrapped(f"Note: {notice}")


def result_lines(result: Result) -> Iterator[str]:
    """Yield a result's value, what limits it and what to do about that."""
    name = _NAMES[result.quantity]
    places = decimals_of(result.unit)
    yield (
        f"{name:<26}{result.value:+8.{places}f} ± {result.expanded_uncertainty:.{places}f} "
        f"{result.unit}  (95 %, k = {result.coverage_factor:.2f})"
    )
    largest = result.dominant
    share = largest.standard_uncertainty**2 / max(result.standard_uncertainty**2, 1e-300)
    by_hand = result.quantity is Quantity.TOE and largest.source == "noise"
    remedy = _READ_CLOSER if by_hand else _REMEDIES[largest.source]
    limit = (
        f"limited by {largest.term} ({largest.standard_uncertainty:.{places}f} {result.unit} "
        f"one sigma, {100.0 * share:.0f} % of the variance): {remedy}"
    )
    yield from textwrap.wrap(limit, WIDTH, initial_indent="    ", subsequent_indent="    ")
    if result.condition:
        yield f"    holds {result.condition}"


def decimals_of(unit: str) -> int:
    """Return to how many places a figure of this unit is told."""
    return 4 if unit == "deg/mm" else 2


def _rest_line(number: int, rest: PlacedRest) -> str:
    steer = "      -" if rest.steer_deg is None else f"{rest.steer_deg:+7.2f}"
    position = "-" if rest.position is None else rest.position.value
    camber = f"{rest.camber_deg:+7.2f} ± {rest.camber_expanded_uncertainty_deg:.2f}"
    return (
        f"  {number:>3}  {position:<9}{rest.start_s:>9.1f}{rest.end_s:>9.1f}   {camber}    {steer}"
    )


def _sweep_lines(outcome: Outcome) -> Iterator[str]:
    def figure(key: str) -> float:
        value = outcome.details.get(key, float("nan"))
        return float(value)

    yield ""
    yield (
        f"Steered {figure('steer_left_deg'):.1f} deg left and "
        f"{-figure('steer_right_deg'):.1f} deg right."
    )
    if "closure_camber_deg" in outcome.details:
        yield (
            f"Back at straight ahead: camber {figure('closure_camber_deg'):+.3f} deg, "
            f"steer {figure('closure_steer_deg'):+.2f} deg from the first time."
        )
    if "hysteresis_camber_deg" in outcome.details:
        spread = figure("hysteresis_camber_deg")
        yield f"Positions visited again differ by at most {spread:.3f} deg of camber."
    yield (
        f"Fit: chi-squared {figure('chi_squared'):.1f} for "
        f"{figure('degrees_of_freedom'):.0f} degrees of freedom "
        f"(probability {figure('fit_probability'):.2f})."
    )
    yield (
        f"Cross-check, two-reading rule: caster {figure('two_reading_caster_deg'):+.2f} deg "
        "(ignores toe)."
    )


def _travel_lines(outcome: Outcome) -> Iterator[str]:
    """Yield the curves in words: order, heights, and bump steer over the rim."""
    yield ""
    for name in ("camber", "toe"):
        if f"{name}_order" in outcome.details:
            low, high = (float(outcome.details[f"{name}_{end}_mm"]) for end in ("low", "high"))
            order = int(float(outcome.details[f"{name}_order"]))
            kind = {1: "a straight line", 2: "a parabola"}.get(order, f"a curve of order {order}")
            yield f"Curve of {name}: {kind}, through heights from {low:+.0f} to {high:+.0f} mm."
    if "bump_steer_mm_per_mm" in outcome.details:
        each = float(outcome.details["bump_steer_mm_per_mm"])
        rim_mm = float(outcome.details["rim_mm"])
        yield f"Over the rim of {rim_mm:.0f} mm: {each:+.4f} mm of toe for each mm of travel."


def _included_lines(outcome: Outcome) -> Iterator[str]:
    """Yield the knuckles' own angles, which the cross figure is the difference of."""
    sides = (
        f"{side} {float(outcome.details[f'included_{side}_deg']):.2f} ± "
        f"{float(outcome.details[f'included_{side}_expanded_uncertainty_deg']):.2f} deg"
        for side in ("left", "right")
    )
    yield ""
    yield f"Included angle (SAI + camber): {', '.join(sides)}."


def _notice_lines(notice: Notice) -> Iterator[str]:
    yield ""
    yield from _wrapped(f"{notice.code}: {notice.text}")


def _wrapped(text: str) -> Iterator[str]:
    yield from textwrap.wrap(text, WIDTH, subsequent_indent="    ")
