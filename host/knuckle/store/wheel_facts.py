"""Facts of a run with several pods: what each pod has of its own stands under its wheel."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from knuckle.model.wheel import Wheel

_WHEELS = frozenset(wheel.value for wheel in Wheel)


def is_by_wheel(fact: object) -> bool:
    """Return whether a fact is one of several pods: a mapping with wheels for its names."""
    return isinstance(fact, Mapping) and bool(fact) and set(fact) <= _WHEELS


def by_wheel(each: Mapping[Wheel, Mapping[str, Any]]) -> dict[str, Any]:
    """Return the facts of several pods as one run keeps them.

    Parameters
    ----------
    each : mapping of Wheel to dict
    """
    names = dict.fromkeys(name for facts in each.values() for name in facts)
    return {
        name: {wheel.value: facts[name] for wheel, facts in each.items() if name in facts}
        for name in names
    }


def of_wheel(facts: Mapping[str, Any], wheel: str | None) -> dict[str, Any]:
    """Return a run's facts as those of the pod on one wheel.

    What the run has of other pods is left out; what is of the run as a whole stays.
    """
    own = {}
    for name, fact in facts.items():
        if not is_by_wheel(fact):
            own[name] = fact
        elif wheel in fact:
            own[name] = fact[wheel]
    return own


def wheels_in(facts: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the wheels under which a run's facts tell of their pods, each once."""
    found: Iterable[str] = (wheel for fact in facts.values() if is_by_wheel(fact) for wheel in fact)
    return tuple(dict.fromkeys(found))


def own_facts(facts: Mapping[str, Any], wheel: str) -> dict[str, Any]:
    """Return what a run has of the pod on one wheel alone."""
    return {
        name: fact[wheel] for name, fact in facts.items() if is_by_wheel(fact) and wheel in fact
    }
