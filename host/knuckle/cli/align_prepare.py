"""`knuckle align`: the checklist, the pads, the strings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import typer

from knuckle.cli.align_lead import Lead, at_wheels, value_and_u, words_of
from knuckle.cli.answers import say, told
from knuckle.cli.cautions import RAISED
from knuckle.errors import KnuckleError, UsageError
from knuckle.quantities import angle_deg, length_mm, mass_kg, pressure_kpa, read_number

if TYPE_CHECKING:
    from knuckle.job.book import JobView
    from knuckle.job.phases import Item
    from knuckle.model.car import Car

Unit = tuple[str, float]
"""Its name, and what one of it is in kPa, mm or kg; as `car.units.unit_said`."""
PAD_U_MM: Final = 0.5
"""Of a height read off a water level or a laser line with a steel rule; common practice."""
_READ: Final[dict[str, Callable[[str], float]]] = {
    "pressure": pressure_kpa,
    "length": length_mm,
    "mass": mass_kg,
}
_LIMITS: Final = {
    "pressure": (20.0, 1200.0, "`1.9bar` or `28psi`"),
    "length": (5.0, 2000.0, "`355mm` or `14in`"),
}
MOST_BALLAST_KG: Final = 2000.0
"""As in the car file (docs/car-file.md, "What is refused")."""
_SPANS: Final = (
    ("front", "across the front pads, the pod's +X to the LEFT"),
    ("rear", "across the rear pads, the pod's +X to the LEFT"),
    ("left", "along the left pads, the pod's +X to the FRONT"),
    ("right", "along the right pads, the pod's +X to the FRONT"),
)


def prepare(lead: Lead, *, again: bool) -> None:
    """Go through the checklist; items that were answered only if it is done `again`."""
    from knuckle.car.units import unit_said
    from knuckle.job.phases import CHECKLIST, Kind, Phase

    for line in RAISED:
        typer.echo(line)
    say("Enter: done, as in the car file. `-` leaves an item out.")
    for item in CHECKLIST:
        view = lead.view()
        if item.name in view.state.answers and not again:
            continue
        known = _of_car(view.car, item)
        unit = unit_said(view.document, item.name)
        if known[0] and unit[0]:
            known = known[0], _in_words(known[0], unit)
        shown = f" [{known[1]}]" if known[1] else f", in {unit[0]}" if unit[0] else ""
        record = lead.ask_for(f"{item.words}{shown}", partial(_answer, item, known, unit))
        lead.enter(Phase.PREPARATION, Kind.ANSWER, {"item": item.name, **record})
        _differs(record, known[0], unit)


def _in_words(values: Mapping[str, float], unit: Unit) -> str:
    name, one = unit
    return f"{' '.join(f'{value / one:.4g}' for value in values.values())} {name}"


def _counting_in(unit: Unit, read: Callable[[str], float]) -> Callable[[str], float]:
    return lambda text: read(text if read_number(text).unit else f"{text}{unit[0]}")


def _of_car(car: Car, item: Item) -> tuple[dict[str, float], str]:
    """Return what the car file says of an item, and in words."""
    if item.per_wheel:
        name = {"pressures": "pressure_kpa", "ride_heights": "ride_height_mm"}[item.name]
        unit = "kPa" if item.per_wheel == "pressure" else "mm"
        found = {w.value: getattr(corner, name) for w, corner in car.corners.items()}
        if any(value is None for value in found.values()):
            return {}, ""
        words = " ".join(f"{value:.4g}" for value in found.values())
        return found, f"{words} {unit}"
    if item.name == "ballast" and car.extra_ballast_kg is not None:
        return {"kg": car.extra_ballast_kg}, f"{car.extra_ballast_kg:g} kg"
    if item.name == "fuel" and car.fuel:
        return {}, car.fuel
    return {}, ""


def _answer(
    item: Item, known: tuple[dict[str, float], str], shown: Unit, line: str
) -> dict[str, Any]:
    if line == "-":
        return {"done": False, "text": "", "values": {}}
    if not line:
        values, words = known
        return {"done": True, "text": "" if values else words, "values": values}
    if item.per_wheel:
        values = at_wheels(line, _counting_in(shown, _READ[item.per_wheel]))
        if any(value <= 0.0 for value in values.values()):
            raise UsageError(f"{line!r} is not above zero everywhere.")
        low, high, example = _LIMITS[item.per_wheel]
        if not all(low <= value <= high for value in values.values()):
            far = next(value for value in values.values() if not low <= value <= high)
            raise UsageError(
                f"{far / shown[1]:g} {shown[0]} is far from any car: {line!r}.",
                "Without a unit a number counts in the unit shown.",
                f"Write the unit: {example}, say.",
            )
        return {"done": True, "text": "", "values": values}
    if item.value == "mass":
        return {"done": True, "text": "", "values": {"kg": _mass(line, shown)}}
    if not line.isprintable():
        raise UsageError("That holds a character that cannot be kept.", "", "Type it again.")
    return {"done": True, "text": line, "values": {}}


def _mass(line: str, shown: Unit) -> float:
    mass = _counting_in(shown, mass_kg)(line)
    if not 0.0 <= mass <= MOST_BALLAST_KG:
        raise UsageError(
            f"{line!r} is no ballast.", "", "From 0 to 2000 kg; `75kg` or `165lb`, say."
        )
    return mass


def _differs(record: dict[str, Any], known: dict[str, float], unit: Unit) -> None:
    apart = [
        f"{name} {value / unit[1]:.4g} (car file {known[name] / unit[1]:.4g})"
        for name, value in record["values"].items()
        if name in known and abs(value - known[name]) > 0.02 * abs(known[name])
    ]
    if apart:
        say(f"Differs from the car file, in {unit[0]}: {', '.join(apart)}. Kept as typed.", "  ")


def pads(lead: Lead) -> None:
    """Ask for the lie of the pads until nobody changes it any more."""
    from knuckle.job.phases import Kind, Phase

    say(
        "Heights of the four pads' tops from any level line (water level, laser): only "
        "differences count. Or `pod`, with the pod laid on a straightedge. Without either, "
        "results stay relative to gravity."
    )
    while True:
        line = lead.ask("Heights LF RF LR RR; `down` before them if measured downwards")
        if not line:
            return
        if line.lower() == "pod":
            _straightedge(lead)
        else:
            try:
                record = _heights(lead, line)
                _pads_told(lead, {"kind": Kind.HEIGHTS, "record": record})
            except KnuckleError as error:
                told(error)
                continue
            lead.enter(Phase.PADS, Kind.HEIGHTS, record)
        if not lead.view().state.pads:
            continue
        if not lead.yes("Have you shimmed the pads, and measure them again?", False):
            return


def _heights(lead: Lead, line: str) -> dict[str, Any]:
    downwards = line.lower().startswith("down")
    heights = at_wheels(line[4:] if downwards else line, length_mm)
    u = lead.ask_for(
        f"Reading of each height, one sigma [{PAD_U_MM} mm]",
        lambda typed: _above_zero(typed, PAD_U_MM),
    )
    return {"mm": heights, "u_mm": u, "downwards": downwards}


def _above_zero(line: str, unless: float) -> float:
    value = length_mm(line) if line else unless
    if value <= 0.0:
        raise UsageError(f"{line!r} is not above zero.")
    return value


def _straightedge(lead: Lead) -> None:
    """Read three or four spans by the reversal of the pod; each is entered at once."""
    from knuckle.cli.priors import build_priors
    from knuckle.cli.reversal import reversal
    from knuckle.job.phases import Kind, Phase
    from knuckle.model.result import Quantity
    from knuckle.store.database import Store

    begun = lead.view().state.spans
    record: dict[str, Any] = {"deg": {}, "runs": {}} if begun is None else {**begun.record}
    record["straightness_mm"] = record.get("straightness_mm") or lead.ask_for(
        "Straightness of the straightedge and its feet, one sigma [0.3 mm]",
        lambda typed: _above_zero(typed, 0.3),
    )
    for span, where in _SPANS:
        if span in record["deg"]:
            continue
        if len(record["deg"]) >= 3 and not lead.yes("Close the ring with the fourth side?", True):
            break
        go = lead.ask(f"Lay the straightedge {where}; Enter to read, or its slope in degrees")
        if go:
            try:
                record["deg"][span] = value_and_u(go, angle_deg, 0.05)
            except UsageError as error:
                told(error)
                continue
        else:
            made = lead.measure(
                lambda: reversal(
                    lead.ctx,
                    priors=build_priors({}),
                    pod=lead.options.pod,
                    calibration=lead.options.calibration,
                    uncalibrated=lead.options.uncalibrated,
                )
            )
            with Store(lead.store, read_only=True) as store:
                found = store.jobs.runs(made)
            slope = next(
                (
                    row.outcome.results[Quantity.SLOPE_X]
                    for run in found.values()
                    for row in run.results
                    if Quantity.SLOPE_X in row.outcome.results
                ),
                None,
            )
            if slope is None:
                say("That gave no slope along the pod's X: this side is left out.", "  ! ")
                continue
            record["deg"][span] = [slope.value, slope.standard_uncertainty]
            record["runs"][span] = made[-1]
        lead.enter(Phase.PADS, Kind.SPANS, record)
    if len(record["deg"]) >= 3:
        _pads_told(lead, {"kind": Kind.SPANS, "record": record})


def _pads_told(lead: Lead, made: dict[str, Any]) -> None:
    from knuckle.alignment.pads import shim_table
    from knuckle.job.readings import lie_of_pads
    from knuckle.job.state import Entered
    from knuckle.store.rows import JobEntryRow

    entered = Entered(0, JobEntryRow(0, "", "pads", made["kind"], None, made["record"]))
    lie = lie_of_pads(entered, lead.view().car)
    say("The pads lie (left and front higher are positive):", "  ")
    for name, slope in (
        ("across, front", lie.front_across_deg),
        ("across, rear", lie.rear_across_deg),
        ("along", lie.along_deg),
    ):
        u = 1.96 * slope.standard_uncertainty
        say(f"{name:14} {round(slope.value, 3) + 0.0:+.3f} deg, good to {u:.3f}", "    ")
    shims = shim_table(lie)
    if not any(shim.worth_it for shim in shims.values()):
        say("Level as far as the heights tell.", "  ")
        return
    say("To level them, lay under:", "  ")
    for wheel, shim in shims.items():
        words = f"{shim.needed_mm:.1f} mm" if shim.worth_it else "nothing"
        say(f"{wheel.value}  {words}", "    ")
    say("What stays is corrected in camber, caster and SAI.", "  ")


def strings(lead: Lead) -> None:
    """Ask for the offsets of the strings until nobody moves them any more."""
    from knuckle.job.phases import Kind, Phase

    say(
        "Offsets from each hub out to the string beside it, square to it, at all four wheels; to "
        "like faces of like hubs. The car's line runs through the middles of both axles."
    )
    while True:
        line = lead.ask("Offsets LF RF LR RR")
        if not line:
            return
        try:
            record = _offsets(lead, line)
            _strings_told(lead.view(), record)
        except KnuckleError as error:
            told(error)
            continue
        lead.enter(Phase.STRINGS, Kind.OFFSETS, record)
        if not lead.yes("Have you moved a string, and measure the offsets again?", False):
            return


def _offsets(lead: Lead, line: str) -> dict[str, Any]:
    from knuckle.alignment.strings import OFFSET_U_MM, TRACK_U_MM

    offsets = at_wheels(line, length_mm)
    u = lead.ask_for(
        f"Reading of each offset, one sigma [{OFFSET_U_MM} mm]",
        lambda typed: _above_zero(typed, OFFSET_U_MM),
    )
    car = lead.view().car

    def read(typed: str) -> dict[str, Any]:
        words = words_of(typed)
        if not words:
            pair = [[car.track_front_mm, TRACK_U_MM], [car.track_rear_mm, TRACK_U_MM]]
            return {"tracks_mm": pair}
        if words[0].lower() == "widths":
            if len(words) != 4:
                raise UsageError("Three lengths are needed.", "", "widths FRONT REAR APART")
            front, rear, apart = (length_mm(word) for word in words[1:])
            return {"widths_mm": {"front_mm": front, "rear_mm": rear, "apart_mm": apart}}
        if len(words) != 2:
            raise UsageError("Two tracks are needed.", "", "FRONT REAR, say 1402/1 1398/1.")
        return {"tracks_mm": [value_and_u(word, length_mm, TRACK_U_MM) for word in words]}

    more = lead.ask_for(
        "Tracks at the hubs, FRONT REAR; or `widths FRONT REAR APART` from string to string "
        f"[{car.track_front_mm:g} {car.track_rear_mm:g} mm]",
        read,
    )
    return {"mm": offsets, "u_mm": u, **more}


def _strings_told(view: JobView, record: dict[str, Any]) -> None:
    from knuckle.job.readings import lie_of_strings
    from knuckle.job.state import Entered
    from knuckle.store.rows import JobEntryRow

    entered = Entered(0, JobEntryRow(0, "", "strings", "offsets", None, record))
    lie = lie_of_strings(entered, view.car)
    for name, side in (("left", lie.left), ("right", lie.right)):
        u = 1.96 * side.toe_deg.standard_uncertainty
        angle = f"{round(side.toe_deg.value, 3) + 0.0:+.3f} deg toe-in, good to {u:.3f}"
        if side.parallel:
            say(f"The {name} string is parallel to the car, as far as this tells: {angle}.", "  ")
        else:
            say(
                f"The {name} string is not parallel: {angle}. Move its {side.end} end outboard by "
                f"{side.move_mm.value:.1f} mm, or go on: toe is corrected by it.",
                "  ",
            )
    if not lie.consistent:
        say("Offsets, tracks and widths contradict each other: measure them again.", "  ! ")
