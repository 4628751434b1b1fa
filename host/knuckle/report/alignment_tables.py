"""What stands beside the figures in the report of a job: preparation, pads, strings, pods."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from knuckle.alignment.adjusters import Kind
from knuckle.alignment.pads import shim_table
from knuckle.car.units import unit_said
from knuckle.estimate.priors import Given
from knuckle.job.answered import answers_in_words
from knuckle.job.book import JobView
from knuckle.job.phases import CHECKLIST
from knuckle.job.readings import lie_of_pads, lie_of_strings
from knuckle.model.wheel import Wheel
from knuckle.report.alignment_page import Table
from knuckle.report.figures import with_uncertainty

_COVERS: Final = 1.96
_WAYS: Final = {
    Kind.TOE_LINK.value: ("longer", "shorter"),
    Kind.CAMBER_SHIM.value: ("added", "taken out"),
    Kind.CASTER.value: ("rearward", "forward"),
}


def tables(view: JobView) -> tuple[Table, ...]:
    """Return the tables that a job has something for."""
    made = (_preparation(view), _pads(view), _strings(view), _turned(view), _sensors(view))
    return tuple(table for table in made if table is not None)


def _when(written_utc: str) -> str:
    return written_utc[:16].replace("T", " ")


def _given(given: Given, unit: str) -> str:
    return f"{with_uncertainty(given.value, _COVERS * given.standard_uncertainty)} {unit}"


def _preparation(view: JobView) -> Table | None:
    rows = []
    for item in CHECKLIST:
        answer = view.state.answers.get(item.name)
        if answer is None:
            continue
        record = answer.record
        unit, one = unit_said(view.document, item.name)
        values = record.get("values", {})
        words = ", ".join(
            f"{'' if key == 'kg' else key + ' '}{value / one:.4g} {unit}"
            for key, value in values.items()
        )
        said = ", ".join(part for part in (words, str(record.get("text", ""))) if part)
        rows.append((item.words, "done" if record.get("done") else "left out", said))
    return Table("Preparation", ("Item", "State", "As noted"), tuple(rows)) if rows else None


def _pads(view: JobView) -> Table | None:
    if not view.state.pads:
        return None
    entered = view.state.pads[-1]
    lie = lie_of_pads(entered, view.car)
    rows = [
        ("Slope across, front pads", _given(lie.front_across_deg, "deg"), ""),
        ("Slope across, rear pads", _given(lie.rear_across_deg, "deg"), ""),
        ("Slope along", _given(lie.along_deg, "deg"), ""),
    ]
    heights: Mapping[str, float] = entered.record.get("mm", {})
    for wheel, shim in shim_table(lie).items():
        under = f"{shim.needed_mm:.1f} mm to lay under" if shim.worth_it else "nothing to lay under"
        height = f"height {heights[wheel.value]:g} mm" if wheel.value in heights else ""
        rows.append((f"Pad {wheel.value}", under, height))
    note = (
        f"Measured {_when(entered.entry.written_utc)} UTC; left and front higher are positive. "
        "What slope remained is corrected in camber, caster and inclination."
    )
    return Table("Pads", ("What", "Figure", "As entered"), tuple(rows), note)


def _strings(view: JobView) -> Table | None:
    if not view.state.strings:
        return None
    entered = view.state.strings[-1]
    lie = lie_of_strings(entered, view.car)
    offsets = entered.record["mm"]
    rows = []
    for name, side, wheels in (
        ("Left string", lie.left, (Wheel.LF, Wheel.LR)),
        ("Right string", lie.right, (Wheel.RF, Wheel.RR)),
    ):
        typed = ", ".join(f"{wheel.value} {offsets[wheel.value]:g} mm" for wheel in wheels)
        parallel = "parallel as far as this tells" if side.parallel else "not parallel"
        rows.append((name, f"{_given(side.toe_deg, 'deg')} toe-in", parallel, typed))
    note = (
        f"Measured {_when(entered.entry.written_utc)} UTC. Toe is corrected by these angles; their "
        "uncertainty is in its budget."
    )
    return Table("Strings", ("String", "Against the car", "", "Offsets"), tuple(rows), note)


def _turned(view: JobView) -> Table | None:
    answers = {(wheel.value, kind.value): words for wheel, kind, words in answers_in_words(view)}
    rows = tuple(
        (
            _when(each.entry.written_utc),
            str(each.record.get("wheel", "")),
            str(each.record.get("adjuster")),
            _amount(each.record),
            answers.get((str(each.record.get("wheel")), str(each.record.get("adjuster"))), ""),
        )
        for each in view.state.turned
    )
    columns = ("When, UTC", "Wheel", "What", "By how much", "What came of it")
    note = (
        "Per turn or mm, positive: toe-in by a longer link, camber by added shims, caster by a "
        "joint moved rearward."
    )
    return Table("Adjustments made", columns, rows, note) if rows else None


def _amount(record: Mapping[str, Any]) -> str:
    amount, unit = float(record["amount"]), str(record.get("unit", ""))
    unit = "turns" if unit == "turn" and abs(amount) != 1.0 else unit
    more, less = _WAYS.get(str(record.get("adjuster")), ("more", "less"))
    return f"{abs(amount):.3g} {unit} {more if amount > 0.0 else less}"


def _sensors(view: JobView) -> Table | None:
    rows = []
    for entered in view.state.readings:
        run = view.runs.get(-1 if entered.entry.run_id is None else entered.entry.run_id)
        if run is None:
            continue
        by_hand = bool(entered.record.get("by_hand"))
        wheels = ", ".join(dict.fromkeys(row.outcome.wheel for row in run.results))
        refused = [row.outcome.refused.code for row in run.results if row.outcome.refused]
        pod = run.identity or ("typed in" if by_hand else "without identity")
        found = "; ".join([*_calibrations(run.facts, by_hand), *(f"refused: {c}" for c in refused)])
        rows.append(
            (f"Run {run.run_id}", f"{run.kind} {wheels}", _when(run.started_utc), pod, found)
        )
    columns = ("Run", "Measured", "When, UTC", "Pod", "Calibration")
    return Table("Sensors and calibrations", columns, tuple(rows)) if rows else None


def _calibrations(facts: Mapping[str, Any], by_hand: bool) -> Iterator[str]:
    if by_hand:
        return
    for key in ("calibration", "linear_calibration"):
        used = facts.get(key)
        if isinstance(used, Mapping) and used:
            parts = [str(used.get("source", "")), str(used.get("date", "") or "")[:10]]
            if used.get("sensor"):
                parts.insert(0, str(used["sensor"]))
            yield " ".join(part for part in parts if part)
