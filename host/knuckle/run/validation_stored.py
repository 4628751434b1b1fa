"""A validation from the store: measured again from its bytes, or gone on with after a break."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import Any

from knuckle.errors import UsageError
from knuckle.model.result import Outcome
from knuckle.run.calibrations import moment_of, of_run
from knuckle.run.noise_kept import floor_of_facts
from knuckle.run.replay import recording_of
from knuckle.run.validation import Readings, ValidateTask, concluded, joined
from knuckle.run.validation_facts import (
    CONTINUES,
    VALIDATION,
    plan_from,
    taken_from,
    typed_from,
)
from knuckle.run.validation_rests import pod_readings
from knuckle.store.database import Store
from knuckle.store.recording import decode


def stored_readings(store: Store, run: int) -> Readings:
    """Measure the readings of a stored run, and of those it goes on with, from their bytes.

    Raises
    ------
    UsageError
        If it is not a validation.
    StoreError
        If what is kept with it cannot be read.
    """
    detail = store.run(run)
    facts = detail.facts
    if detail.summary.kind != VALIDATION:
        raise UsageError(
            f"Run {run} is no validation: it is {detail.summary.kind!r}.",
            "",
            "`knuckle runs` lists what the store keeps.",
        )
    plan = plan_from(facts)
    continues = facts.get(CONTINUES)
    earlier = Readings() if continues is None else stored_readings(store, int(continues))
    decoded = decode(chunk.data for chunk in store.chunks(run, 0))
    if decoded.block is None:
        return earlier
    recording = recording_of(decoded.block, decoded, [])
    fact, calibration = of_run(facts, decoded)
    uncalibrated = fact["source"] == "none"
    since_s = float(facts.get("since_s", 0.0))
    recording = replace(recording, stored=calibration, settled=True, floor=floor_of_facts(facts))
    own, _ = pod_readings(recording, plan, taken_from(facts), None, uncalibrated, since_s)
    return joined(earlier, own, typed_from(facts), recording.identity)


def measured_again(
    store: Store, run: int, tolerance_deg: float | None = None
) -> tuple[Outcome | None, dict[str, Any] | None]:
    """Assess a stored run from its bytes, against another tolerance if one is given."""
    detail = store.run(run)
    readings = stored_readings(store, run)
    plan = plan_from(detail.facts)
    if tolerance_deg is not None:
        plan = replace(plan, tolerance_deg=tolerance_deg)
    kept = detail.facts.get(VALIDATION) or {}
    date = kept.get("date") or detail.summary.started_utc
    decoded = decode(chunk.data for chunk in store.chunks(run, 0))
    return concluded(plan, readings, date, of_run(detail.facts, decoded)[0])


def going_on(store: Store, run: int, now: datetime) -> ValidateTask:
    """Return the task that goes on where a stored run broke off.

    The angle may have been touched meanwhile: steps left of a setting that was begun become a
    setting of their own, so that the reference is read again.

    Raises
    ------
    UsageError
        If it is no validation, or nothing is left of it.
    """
    earlier = stored_readings(store, run)
    detail = store.run(run)
    plan = plan_from(detail.facts)
    done = done_before(store, run)
    typed = {reading.setting for reading in earlier.reference}
    if done and plan.steps[done - 1].setting not in typed:
        done -= 1  # taken, but the link ended before the reference was typed
    if done >= len(plan.steps):
        raise UsageError(f"Nothing is left of run {run}: every reading was taken.")
    highest = max(step.setting for step in plan.steps)
    steps = tuple(
        replace(step, setting=highest + 1 + step.setting)
        if index >= done and step.setting in typed
        else step
        for index, step in enumerate(plan.steps)
    )
    began = moment_of(detail.summary.started_utc)
    since_s = float(detail.facts.get("since_s", 0.0))
    if began is not None:
        since_s += max(0.0, (now - began).total_seconds())
    return ValidateTask(
        replace(plan, steps=steps), earlier=earlier, continues=run, since_s=since_s, done=done
    )


def done_before(store: Store, run: int) -> int:
    """Return how many steps of a plan are done in a chain of runs."""
    facts = store.run(run).facts
    taken = taken_from(facts)
    if taken:
        return max(item.step for item in taken) + 1
    continues = facts.get(CONTINUES)
    return 0 if continues is None else done_before(store, int(continues))
