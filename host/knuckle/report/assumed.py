"""What a stored run took for known, in words: only what differs from the defaults."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, Final

IN_WORDS: Final = (
    "assumed",
    "calibration",
    "linear_calibration",
    "parts",
    "touches",
    "noise",
    "noise_floor",
    "mount",
    "seats",
    "zero",
    "stated",
    "datum_mm",
    "dropped",
    "rim_mm",
    "stations",
    "validate",
    "validation_plan",
    "validation_taken",
    "validation_typed",
)
"""The facts that `fact_lines` puts in words of their own."""

_SOURCES: Final = {
    "file": "from a file",
    "pod": "the pod's own",
    "applied": "the pod says that its readings are calibrated",
    "none": "none",
    "store": "from the store",
    "as sold": "none; as sold",
    "this run": "made by this run",
}

LocalTime = Callable[[str], str]


def fact_lines(facts: Mapping[str, Any], local_time: LocalTime) -> Iterator[str]:
    """Yield a run's facts, one a line.

    Parameters
    ----------
    facts : mapping
        As stored.
    local_time : callable
        From a stored time stamp to what is shown.
    """
    for key, value in facts.items():
        if key not in IN_WORDS:
            yield f"{key} = {value}"
    if "calibration" in facts:
        yield f"calibration = {_calibration(facts['calibration'], local_time)}"
    if "linear_calibration" in facts:
        fact = facts["linear_calibration"]
        record = fact["record"]
        told = _calibration({**record, "source": fact["source"]}, local_time)
        yield f"linear calibration = {told}, channel {record['channel']}"
    if "noise_floor" in facts:
        yield "noise = the pod's own by an earlier `knuckle noise`, for the finding of rests"
    if "validation_plan" in facts:
        plan = facts["validation_plan"]
        taken = len(facts.get("validation_taken", ()))
        yield f"validation = {taken} of {len(plan['steps'])} readings, to be seen below"
    if "mount" in facts:
        yield f"mount = {_mount(facts['mount'])}"
    if "zero" in facts:
        yield f"zero = {_zero(facts['zero'])}"
    for start_s, end_s in facts.get("seats", ()):
        end = "the end" if end_s is None else f"{end_s:.1f} s"
        yield f"pod untouched = from {start_s:.1f} s to {end}"
    assumed = facts.get("assumed")
    if assumed:
        values, changed = assumed["values"], assumed["not_default"]
        yield "known beforehand: " + ("as by default" if not changed else "not the defaults are")
        for name in changed:
            yield f"  {name} = {_value(values[name])}"
    for touch in facts.get("touches", ()):
        yield f"touch of {touch['of']} = from {touch['from_s']:.1f} s to {touch['to_s']:.1f} s"
    if facts.get("rim_mm") is not None:
        yield f"between the touches = {facts['rim_mm']:g} mm"
    for name, label in (("stations", "reading"), ("dropped", "taken back")):
        for stop in facts.get(name, ()):
            yield f"{label} at {stop['height_mm']:+.1f} mm = {_stop(stop)}"
    for part in facts.get("parts", ()):
        end = "the end" if part["to_s"] is None else f"{part['to_s']:.1f} s"
        yield f"part of {part['wheel']} = from {part['from_s']:.1f} s to {end}"


def _stop(stop: Mapping[str, Any]) -> str:
    parts = []
    if stop["camber_deg"] is not None:
        by = "" if stop["camber_run"] is None else f" (run {stop['camber_run']})"
        parts.append(f"camber {stop['camber_deg']:+.3f} deg{by}")
    if stop["distances_mm"]:
        parts.append("toe " + " ".join(f"{mm:g}" for mm in stop["distances_mm"]) + " mm")
    return ", ".join(parts)


def _calibration(fact: Mapping[str, Any], local_time: LocalTime) -> str:
    source = _SOURCES.get(fact["source"], str(fact["source"]))
    if fact.get("date"):
        source += f", of {local_time(fact['date'])}"
    if fact.get("pod"):
        source += f", for pod {fact['pod']}"
    return source


def _mount(fact: Mapping[str, Any]) -> str:
    words = {
        "option": "the same by --same-mount",
        "asked": "the same, as said when asked",
        "no": "not used: not the same, as said when asked",
        "no spin": "not used: --no-spin",
        "nobody asked": "not used: nobody there to ask",
        "moved": "not used: the pod was taken off since",
    }
    return f"wheel-turn run {fact['run']}: {words.get(fact['said'], fact['said'])}"


def _zero(fact: Any) -> str:
    if not isinstance(fact, Mapping):
        return "of no reversal: --no-zero"
    return f"of the reversal in run {fact['run']}, if it served (see the warnings)"


def _value(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, Mapping) and "gain" in value:
        made = f", of {value['date']}" if value["date"] else ""
        return f"length = {value['gain']:g} x reading {value['offset']:+g} mm{made}"
    if isinstance(value, Mapping):
        return f"{_value(value['value'])} ± {_value(value['standard_uncertainty'])} (one sigma)"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return "; ".join(map(_value, value))
    return f"{value:g}" if isinstance(value, float) else str(value)
