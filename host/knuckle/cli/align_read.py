"""`knuckle align`: readings by sensor, with the commands that measure alone, or typed in."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from knuckle.cli.align_lead import Lead, value_and_u, words_of
from knuckle.cli.align_wanted import wanted_in
from knuckle.cli.answers import say, told
from knuckle.cli.options import read_wheel
from knuckle.errors import KnuckleError, UsageError
from knuckle.model.wheel import Wheel
from knuckle.quantities import angle_deg, length_mm
from knuckle.store.rows import RunState

if TYPE_CHECKING:
    from knuckle.estimate.priors import Priors
    from knuckle.job.book import JobView
    from knuckle.job.phases import Phase
    from knuckle.model.result import Quantity

MEASURED: Final = ("camber", "sweep", "toe")
TYPED: Final = ("camber", "caster", "sai")
LEAST_TOE_U_DEG: Final = 0.05
"""The wheel is steered for a sweep: how well straight ahead is come back to; common practice."""
TAPE_U_MM: Final = 1.0
"""Of a wheelbase by tape, one sigma; common practice, no source."""
WHEELBASE_SHARE: Final = 0.1
NEAR_MM: Final = 10.0
"""From string to rim; nearer than this is rather inches without their unit."""
HOW: Final = (
    "Type what to read, and where: `camber LF`, `camber all`, `sweep RF`, `toe LR`, by the pod. "
    "By hand: `camber LF -1.25/0.2`, `caster RF 5.1/0.5`, `sai RF 12/0.5` (VALUE/U, one sigma), "
    "`toe LR 62.5/61.0 62.4/61.1` (front and rear distance to the string, again for repeats). "
    "`wheelbase 2395/1 2394/1`, left and right by tape. "
    "`half` at the end of a toe: the wheel has been rolled on by half a turn. `done` when all is "
    "read."
)


def read(lead: Lead, phase: Phase) -> None:
    """Ask for readings until all are done."""
    from knuckle.job.phases import Kind

    view = lead.view()
    now = view.state.round + view.state.turned_since
    when = f"after adjustment {now}" if now else "before anything is turned"
    say(f"Readings {when}. {HOW}")
    wanted = wanted_in(view)
    if wanted:
        say(f"Wanted: {', '.join(wanted)}.")
    while True:
        view = lead.view()
        wanted = wanted_in(view)
        shown = wanted[0] if wanted else "done"
        line = lead.ask(f"Read [{shown}]") or shown
        if line.lower() == "done":
            lead.enter(phase, Kind.FINISHED, {})
            return
        try:
            _one(lead, line)
        except KnuckleError as error:
            told(error)


def _one(lead: Lead, line: str) -> None:
    words = words_of(line)
    verb = words[0].lower()
    if verb == "wheelbase":
        _wheelbases(lead, words[1:])
        return
    if verb == "travel":
        if len(words) != 2:
            raise UsageError("Which wheel?", "", "travel LF, say.")
        wheel = read_wheel(words[1])
        lead.take_up(lead.measure(lambda: _travel(lead, wheel)), {"by_hand": True})
        return
    if verb not in (*MEASURED, *TYPED):
        raise UsageError(
            f"{words[0]!r} is nothing to read.",
            "",
            "camber, sweep, toe; by hand also caster, sai, wheelbase.",
        )
    half = words[-1].lower() == "half"
    words = words[: len(words) - half]
    if half and verb != "toe":
        raise UsageError("`half` belongs to toe.", "", "Leave it out.")
    if len(words) < 2:
        raise UsageError("Which wheel?", "", f"{verb} LF, say.")
    if words[1].lower() == "all":
        if verb != "camber" or len(words) > 2:
            raise UsageError("`all` is of camber by the pod.", "", "camber all")
        made = lead.measure(lambda: _camber(lead, None))
    elif words[1].lower() == "both":
        if verb != "sweep" or len(words) > 2:
            raise UsageError("`both` is of a sweep with two pods.", "", "sweep both")
        made = lead.measure(lambda: _sweep_both(lead))
    else:
        wheel = read_wheel(words[1])
        made = _at(lead, verb, wheel, words[2:])
    record: dict[str, Any] = {"by_hand": bool(words[2:])}
    if verb == "toe":
        record["rim_deg"] = 180.0 if half else 0.0
    lead.take_up(made, record)


def _wheelbases(lead: Lead, words: Sequence[str]) -> None:
    from knuckle.job.phases import Kind, Phase

    if len(words) != 2:
        raise UsageError("Two lengths are needed, left and right.", "", "wheelbase 2395/1 2394/1")
    left, right = (value_and_u(word, length_mm, TAPE_U_MM) for word in words)
    view = lead.view()
    state, middle = view.state, view.car.wheelbase_mm
    for value, u in (left, right):
        if abs(value - middle) > WHEELBASE_SHARE * middle or u <= 0.0:
            raise UsageError(
                f"{value:g} mm is not near the car file's wheelbase of {middle:g} mm.",
                "The unit or a digit slipped.",
                "Measure from hub to hub on each side, wheels straight ahead.",
            )
    phase = Phase.REREAD if state.turned_since or state.round else Phase.READINGS
    lead.enter(phase, Kind.WHEELBASES, {"left_mm": left, "right_mm": right})
    u = 1.96 * math.hypot(left[1], right[1])
    say(f"Kept. Left less right: {left[0] - right[0]:+.1f} ± {u:.1f} mm.", "  ")


def _at(lead: Lead, verb: str, wheel: Wheel, numbers: Sequence[str]) -> list[int]:
    if verb == "toe":
        for pair in numbers:
            _check_distances(pair)
        return lead.measure(lambda: _toe(lead, wheel, list(numbers)))
    if numbers:
        if verb == "sweep" or len(numbers) > 1:
            raise UsageError(
                "A sweep is typed as what it gives.", "", "caster RF 5.1/0.5, then sai RF 12/0.5."
            )
        return [_typed(lead, verb, wheel, numbers[0])]
    if verb not in MEASURED:
        raise UsageError(
            f"{verb} alone is typed with its value; a pod reads it by a sweep.",
            "",
            f"sweep {wheel}, or {verb} {wheel} VALUE/U.",
        )
    if verb == "camber":
        return lead.measure(lambda: _camber(lead, wheel))
    return lead.measure(lambda: _sweep(lead, wheel))


def _check_distances(pair: str) -> None:
    """Refuse what is no pair of distances, or so near to the rim that its unit was forgotten."""
    from knuckle.quantities import one_or_two, read_number

    if one_or_two(pair, length_mm)[1] is None:
        raise UsageError(
            f"{pair!r}: two distances are needed, front and rear.", "", "toe LF 62.5/61.0"
        )

    def bare_mm(text: str) -> float:
        typed = read_number(text)
        return math.inf if typed.unit else abs(typed.value)

    if min(value for value in one_or_two(pair, bare_mm) if value is not None) < NEAR_MM:
        raise UsageError(
            f"{pair!r} would be millimetres from string to rim: hardly so near.",
            "Without a unit a number counts as mm.",
            "Write the unit: 2.46in/2.40in, say (or 5mm/4mm, if so it is).",
        )


def _camber(lead: Lead, wheel: Wheel | None) -> int:
    from knuckle.cli.camber import camber
    from knuckle.cli.priors import build_priors

    options = lead.options
    return camber(
        lead.ctx,
        priors=build_priors({}),
        pod=options.pod,
        wheel=wheel,
        all_wheels=wheel is None,
        driver=options.driver,
        calibration=options.calibration,
        uncalibrated=options.uncalibrated,
    )


def _sweep(lead: Lead, wheel: Wheel) -> int:
    from knuckle.cli.linear_steer import LinearChoice
    from knuckle.cli.sweep import sweep

    options = lead.options
    return sweep(
        lead.ctx,
        priors=_with_toe(lead, wheel),
        linear=LinearChoice(_typed_so({})),
        pod=options.pod,
        wheel=wheel,
        plates=options.plates,
        driver=options.driver,
        calibration=options.calibration,
        uncalibrated=options.uncalibrated,
    )


def _with_toe(lead: Lead, wheel: Wheel) -> Priors:
    """Return what is known before a sweep: toe, where it was read and not turned since."""
    from knuckle.cli.priors import build_priors
    from knuckle.model.result import Quantity

    toe = _newest(lead.view(), wheel, Quantity.TOE)
    known: dict[str, str | None] = {}
    if toe is not None:
        known["toe"] = f"{toe[0]:.4f}/{max(toe[1], LEAST_TOE_U_DEG):.4f}"
    return build_priors(known)


def _sweep_both(lead: Lead) -> int:
    from knuckle.cli.live import read_driver
    from knuckle.cli.request import read_calibration, sweep_request
    from knuckle.cli.sweep_pair import Both, sweep_both

    options = lead.options
    if options.pair is None:
        raise UsageError(
            "A sweep of both wheels needs a pod on each.",
            "",
            "Start with --left-pod and --right-pod, or type sweep LF, then sweep RF.",
        )
    priors = {wheel: _with_toe(lead, wheel) for wheel in (Wheel.LF, Wheel.RF)}
    typed = Both(
        *options.pair,
        calibration=read_calibration(lead.ctx, options.calibration, options.uncalibrated),
        uncalibrated=options.uncalibrated,
        driver=read_driver(options.driver, "in"),
        brake_held=priors[Wheel.LF].brake_held,
    )
    return sweep_both(
        lead.ctx,
        typed,
        lambda wheel: sweep_request(
            wheel, priors[wheel], plates=None, straight=None, rear_steers=False, use_gyro=True
        ),
    )


def _travel(lead: Lead, wheel: Wheel) -> int:
    from knuckle.cli.travel import travel

    options = lead.options
    return travel(
        lead.ctx,
        wheel=wheel,
        rim_length=f"{lead.view().car.rim_mm!r}mm",
        pod=options.pod,
        calibration=options.calibration,
        uncalibrated=options.uncalibrated,
    )


def _toe(lead: Lead, wheel: Wheel, typed: list[str]) -> int:
    from knuckle.cli.toe import toe
    from knuckle.cli.toe_options import ToeChoice
    from knuckle.model.result import Quantity

    view = lead.view()
    camber = _newest(view, wheel, Quantity.CAMBER)
    said = _typed_so(
        {
            "rim_length": f"{view.car.rim_mm!r}mm",
            "linear_channel": lead.options.channel,
            "linear_calibration": lead.options.linear_calibration,
        }
    )
    if camber is not None:
        said["camber"] = f"{camber[0]:.4f}/{camber[1]:.4f}"
    return toe(
        lead.ctx,
        toe_choice=ToeChoice(said),
        wheel=wheel,
        pod=lead.options.pod,
        typed=typed or None,
        driver=lead.options.driver,
    )


def _typed_so(words: dict[str, str | None]) -> dict[str, str | None]:
    """Return options of a table as if these alone had been typed."""
    return defaultdict(lambda: None, words)


def _newest(view: JobView, wheel: Wheel, quantity: Quantity) -> tuple[float, float] | None:
    """Return the newest reading as value and standard uncertainty, if nothing was turned since."""
    for reading in reversed(view.readings):
        if reading.wheel is wheel and reading.raw.quantity is quantity:
            if view.state.turned_at(wheel.value, reading.sequence, quantity):
                return None
            return reading.raw.value, reading.raw.standard_uncertainty
    return None


def _typed(lead: Lead, name: str, wheel: Wheel, text: str) -> int:
    from knuckle.estimate.priors import Given
    from knuckle.job.typed import HOW as TYPED_HOW
    from knuckle.job.typed import NAMES, TYPED_U_DEG, typed_outcome
    from knuckle.report.outcome_text import outcome_lines
    from knuckle.store.database import Store

    outcome = typed_outcome(wheel, {NAMES[name]: Given(*value_and_u(text, angle_deg, TYPED_U_DEG))})
    with Store(lead.store, job=lead.job) as store:
        run = store.begin_run(
            outcome.measure, [wheel.value], facts={"typed": text}, addresses=["typed"]
        )
        store.add_result(run, outcome, method=TYPED_HOW)
        store.finish_run(run, RunState.FINISHED, facts={"complete": True})
    for line in outcome_lines(outcome):
        print(line)
    return run
