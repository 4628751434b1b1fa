"""`knuckle align`: how a job stands, as lines of 80 columns and as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import typer

from knuckle.cli.answers import say

if TYPE_CHECKING:
    from knuckle.alignment.toe_units import ToeFigure
    from knuckle.job.advising import Advised
    from knuckle.job.book import JobView
    from knuckle.job.figures import Figure, Row
    from knuckle.job.phases import Phase
    from knuckle.model.result import Result

STATUS_SCHEMA: Final = 1
_NAMES: Final = {
    "steering_axis_inclination": "SAI",
    "included_angle": "included angle",
    "cross_inclination": "cross SAI",
    "cross_included_angle": "cross included",
    "front_heading": "front off centre",
    "wheelbase_difference": "wheelbase left-right",
    "setback": "front axle's setback",
}
_IN_LENGTHS: Final = ("toe", "total_toe")


def print_status(view: JobView, *, with_figures: bool = True) -> None:
    """Print the phases and where each stands, then the figures."""
    from knuckle.job.phases import Phase

    state = view.state
    begun = view.row.begun_utc[:16].replace("T", " ")
    say(f"Job {view.row.job_id} on {view.car.name}, begun {begun} UTC; {_round(view)}.")
    for phase in Phase:
        say(
            f"{phase.value:12} {state.mark(phase).value:8} {_done(view, phase)}".rstrip(),
            "  ",
            " " * 24,
        )
    if with_figures:
        print_figures(view)


def _round(view: JobView) -> str:
    if view.state.closed:
        return "closed"
    return f"next is {view.state.next_phase.value}"


def _done(view: JobView, phase: Phase) -> str:
    from knuckle.job.phases import CHECKLIST, Phase

    state = view.state
    if phase is Phase.PREPARATION and state.answers:
        done = sum(bool(each.record.get("done")) for each in state.answers.values())
        left = len(state.answers) - done
        text = f"{done} of {len(CHECKLIST)} done"
        return text + (f", {left} left out" if left else "")
    if phase is Phase.PADS and state.pads:
        return f"measured {_times(len(state.pads))}"
    if phase is Phase.STRINGS and state.strings:
        return f"measured {_times(len(state.strings))}"
    if phase is Phase.READINGS:
        return _read(view, later=False)
    if phase is Phase.REREAD:
        return _read(view, later=True)
    if phase is Phase.ADJUST and state.turned:
        wheels = dict.fromkeys(str(each.record.get("wheel")) for each in state.turned)
        text = f"{len(state.turned)} adjustments at {', '.join(wheels)}"
        return text + (", not read again yet" if state.turned_since else "")
    return ""


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _read(view: JobView, *, later: bool) -> str:
    own = [each for each in view.state.readings if (each.round > 0) == later]
    if not own:
        return ""
    lost = [
        each.entry.run_id
        for each in own
        if each.entry.run_id not in {run for r in view.readings for run in r.runs}
        and each.entry.run_id not in {run for row in view.figures for run in row.now.runs}
    ]
    text = f"{len(own)} {'readings' if len(own) > 1 else 'reading'}"
    if lost:
        text += f"; no result from run {', '.join(str(run) for run in lost)}"
    return text


def print_figures(view: JobView) -> None:
    """Print each figure: before, after, target, verdict; what left and right and the car say."""
    from knuckle.job.answered import answers_in_words
    from knuckle.job.pairs import pair_notices

    if not view.figures:
        return
    say()
    typer.echo(f"  {'degrees':21}{'before':>14} {'after':>14}  {'target':14} verdict")
    for row in view.figures:
        typer.echo(_figure_line(row))
    for row in view.figures:
        if row.quantity.value in _IN_LENGTHS:
            say(_toe_line(row, view.car.rim_mm), "  ", "     ")
    for notice in pair_notices(view):
        say(f"{notice.code}: {notice.text}", "  ", "     ")
    for wheel, kind, words in answers_in_words(view):
        say(f"{wheel.value} {kind.value}: {words}.", "  ", "     ")
    hints = []
    if any(row.stale for row in view.figures):
        hints.append("* turned since: read again.")
    if not view.state.pads:
        hints.append("Camber, caster, SAI are relative to gravity: no pads were entered.")
    if not view.state.strings and any(r.quantity.value == "toe" for r in view.figures):
        hints.append("Toe is against the string as it hung: no offsets were entered.")
    for hint in hints:
        say(hint, "  ")


def _figure_line(row: Row) -> str:
    from knuckle.report.figures import decimals_for

    newest = row.now.result
    least, most = (2, 3 if abs(newest.value) < 10.0 else 2) if newest.unit == "deg" else (0, 1)
    if newest.unit == "deg/mm":
        least = most = 4
    decimals = min(max(decimals_for(newest.expanded_uncertainty), least), most)
    before = "" if row.before is None else _short(row.before.result, decimals)
    after = "" if row.after is None else _short(row.after.result, decimals)
    target = ""
    if row.target is not None:
        target = f"{row.target.low:.2f} to {row.target.high:.2f}"
    standing = row.now.standing
    verdict = "" if standing is None else standing.value
    mark = "*" if row.stale else " "
    name = f"{_name(row)}{' /mm' if newest.unit == 'deg/mm' else ''}"
    return f"  {name:21}{before:>14} {after:>14}{mark} {target:14} {verdict}".rstrip()


def _toe_line(row: Row, over_mm: float) -> str:
    """Return a toe in minutes, mm and inches as well."""
    from knuckle.alignment.axle import THRUST_LINE

    toe, u = _toe_units(row.now, over_mm)
    shared = row.place == "front" and row.quantity.value == "total_toe"
    about = " about the thrust line" if row.now.result.condition == THRUST_LINE else ""
    half = f"; driving straight each front wheel has half, {toe.deg / 2.0:+.2f} deg"
    return (
        f"{_name(row)} {row.now.words}: {toe.minutes:+.1f} ± {u.minutes:.1f} minutes, "
        f"{toe.mm:+.2f} ± {u.mm:.2f} mm ({toe.inches:+.3f} ± {u.inches:.3f} in) over "
        f"{over_mm:g} mm{half if shared else about}"
    )


def _toe_units(figure: Figure, over_mm: float) -> tuple[ToeFigure, ToeFigure]:
    from knuckle.alignment.toe_units import in_all_units

    result = figure.result
    wheels = 2 if result.quantity.value == "total_toe" else 1
    return (
        in_all_units(result.value, over_mm, wheels),
        in_all_units(result.expanded_uncertainty, over_mm, wheels),
    )


def _name(row: Row) -> str:
    """Return a figure's place and name, in 21 columns."""
    name = _NAMES.get(row.quantity.value, row.quantity.value.replace("_", " "))
    return name if row.place == "car" or name.startswith(row.place) else f"{row.place} {name}"


def _short(result: Result, decimals: int) -> str:
    from knuckle.report.figures import with_uncertainty

    text = with_uncertainty(result.value, result.expanded_uncertainty, "±", decimals)
    if result.unit == "deg/mm":
        return text.replace(" ", "")  # the unit stands beside the name
    return text if result.unit == "deg" else f"{text} {result.unit}"


def status_json(view: JobView, advice: Sequence[Advised] = ()) -> dict[str, Any]:
    """Return how a job stands as one JSON-like object: docs/results.md, "A job"."""
    from knuckle import __version__
    from knuckle.job.advising import advice_record
    from knuckle.job.answered import answers_json
    from knuckle.job.pairs import pair_notices
    from knuckle.job.phases import Phase
    from knuckle.store.records import without_nan

    state = view.state
    content = {
        "schema": STATUS_SCHEMA,
        "program_version": __version__,
        "job": view.row.job_id,
        "car": view.car.name,
        "begun_utc": view.row.begun_utc,
        "closed": state.closed,
        "next": None if state.closed else state.next_phase.value,
        "round": state.round_words,
        "phases": [{"phase": phase.value, "state": state.mark(phase).value} for phase in Phase],
        "answers": {name: each.record for name, each in state.answers.items()},
        "pads": [_entry(each) for each in state.pads],
        "strings": [_entry(each) for each in state.strings],
        "readings": [
            {**_entry(each), "run": each.entry.run_id, "round": each.round}
            for each in state.readings
        ],
        "adjustments": [{**_entry(each), "round": each.round} for each in state.turned],
        "notes": [_entry(each) for each in state.notes],
        "wheelbases": [{**_entry(each), "round": each.round} for each in state.wheelbases],
        "figures": [row_json(row, view.car.rim_mm) for row in view.figures],
        "advice": [advice_record(each) for each in advice],
        "answered": answers_json(view),
        "left_and_right": [
            {"code": notice.code, "text": notice.text} for notice in pair_notices(view)
        ],
    }
    plain: dict[str, Any] = without_nan(content)
    return plain


def _entry(each: Any) -> dict[str, Any]:
    return {
        "sequence": each.sequence,
        "written_utc": each.entry.written_utc,
        "kind": each.entry.kind,
        **each.record,
    }


def row_json(row: Row, over_mm: float) -> dict[str, Any]:
    """Return one figure as a JSON-like object."""
    target = row.target
    change = row.change
    return {
        "quantity": row.quantity.value,
        "place": row.place,
        "target": None
        if target is None
        else {"value": target.value, "low": target.low, "high": target.high, "unit": "deg"},
        "stale": row.stale,
        "rounds": [_figure_json(figure, over_mm) for figure in row.rounds],
        "change": None
        if change is None
        else {
            "value": change.value,
            "expanded_uncertainty": change.expanded_uncertainty,
            "verdict": None if row.changed is None else row.changed.value,
        },
    }


def _figure_json(figure: Figure, over_mm: float) -> dict[str, Any]:
    from knuckle.report.results_json import result_to_json

    lengths: dict[str, float] = {}
    if figure.result.quantity.value in _IN_LENGTHS:
        toe, u = _toe_units(figure, over_mm)
        lengths = {
            "minutes": toe.minutes,
            "expanded_uncertainty_minutes": u.minutes,
            "mm": toe.mm,
            "expanded_uncertainty_mm": u.mm,
            "inches": toe.inches,
            "expanded_uncertainty_inches": u.inches,
            "over_mm": over_mm,
        }
    return {
        "round": figure.words,
        **result_to_json(figure.result),
        **lengths,
        "verdict": None if figure.standing is None else figure.standing.value,
        "runs": list(figure.runs),
        "pads": list(figure.pads),
        "strings": list(figure.strings),
        "by_hand": figure.by_hand,
    }
