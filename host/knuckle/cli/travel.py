"""``knuckle travel``: camber and toe through suspension travel, height by height."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from knuckle.cli.answers import InputEnded, ask, say, told
from knuckle.cli.cautions import TRAVEL
from knuckle.cli.exit_codes import DONE, INTERRUPTED, REFUSED
from knuckle.cli.invocation import invocation
from knuckle.cli.options import PodOption, WheelOption
from knuckle.cli.request import CalibrationOption, UncalibratedOption
from knuckle.cli.travel_plot import draw
from knuckle.errors import KnuckleError, UsageError
from knuckle.model.wheel import Wheel
from knuckle.quantities import angle_deg, length_mm, one_or_two

if TYPE_CHECKING:
    from knuckle.estimate.priors import Given
    from knuckle.model.result import Outcome
    from knuckle.run.travel import Stop
    from knuckle.store.database import Store

HIGHEST_MM: Final = 400.0
LARGEST_DEG: Final = 30.0
HOW_TO: Final = (
    "A line for each height: HEIGHT, up positive, 0 at ride height, with what was read there: "
    "`25 camber -1.62/0.05`, `25 toe 62.5/61.0` (front and rear distance to the string; again for "
    "repeats), or both. `drop` takes the last line back, `done` ends, `q` leaves it for later."
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("travel", help="Camber gain and bump steer: camber and toe at several heights.")(
        travel
    )


def travel(
    ctx: typer.Context,
    *,
    wheel: WheelOption,
    rim_length: Annotated[
        str | None,
        typer.Option(
            "--rim-length",
            metavar="LENGTH",
            help="Between the two touches; needed where distances for toe are typed.",
            show_default=False,
        ),
    ] = None,
    pod: PodOption = None,
    height_sensor: Annotated[
        str | None,
        typer.Option(
            "--height-sensor",
            metavar="up|down",
            help="The pod's linear sensor tells the height: its length grows as the wheel goes up, "
            "or down.",
            show_default=False,
        ),
    ] = None,
    go_on: Annotated[
        int | None,
        typer.Option("--continue", metavar="RUN", help="Go on with the readings of a run."),
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option("--plot", metavar="FILE", help="Draw the curves, as .png or .svg."),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a plot that exists.")] = False,
    calibration: CalibrationOption = None,
    uncalibrated: UncalibratedOption = False,
    json_output: Annotated[
        bool, typer.Option("--json", help="Print one JSON object at the end (docs/results.md).")
    ] = False,
) -> int:
    """Ask for readings at one height after the other, and fit curves through them.

    Exit code 3 if the readings do not support a result.
    """
    if height_sensor not in (None, "up", "down"):
        raise UsageError(f"--height-sensor takes up or down, not {height_sensor!r}.")
    if height_sensor is not None and pod is None and invocation(ctx).settings.pod is None:
        raise UsageError("--height-sensor is of a pod.", "", "Name it with --pod.")
    rim_mm = None if rim_length is None else length_mm(rim_length)
    if rim_mm is not None and not 80.0 <= rim_mm <= 2500.0:
        raise UsageError(
            f"--rim-length {rim_length}: no rim is as long.", "The unit slipped.", "430mm, say."
        )
    from knuckle.store.database import Store

    here = invocation(ctx)
    with Store(here.settings.store, job=here.job) as store:
        taking = _Taking(ctx, store, wheel, rim_mm, height_sensor, calibration, uncalibrated)
        taking.by_pod = pod or here.settings.pod
        if go_on is not None:
            taking.take_up(go_on)
        return _carried_out(taking, plot, force, json_output)


@dataclass
class _Taking:
    """The readings as they are taken, each kept at once."""

    ctx: typer.Context
    store: Store
    wheel: Wheel
    rim_mm: float | None
    height_sensor: str | None
    calibration: Path | None
    uncalibrated: bool
    by_pod: str | None = None
    stops: list[Stop] = field(default_factory=list)
    dropped: list[Stop] = field(default_factory=list)
    datum_mm: float | None = None
    continues: int | None = None
    run: int | None = None

    def take_up(self, number: int) -> None:
        """Go on with the readings of another run, which stays as it is."""
        from knuckle.run.travel import stops_in

        detail = self.store.run(number)
        if detail.summary.kind != "travel" or detail.summary.wheels != (self.wheel.value,):
            raise UsageError(
                f"Run {number} is no travel of {self.wheel}.",
                f"It is a {detail.summary.kind} of {', '.join(detail.summary.wheels)}.",
                "`knuckle runs` lists them.",
            )
        self.stops = stops_in(detail.facts)
        self.datum_mm = detail.facts.get("datum_mm")
        kept = detail.facts.get("rim_mm")
        self.rim_mm = self.rim_mm or (None if kept is None else float(kept))
        self.continues = number

    def keep(self) -> None:
        """Have all readings on the disk."""
        from knuckle.run.travel import STATIONS

        facts: dict[str, Any] = {
            STATIONS: [stop.to_fact() for stop in self.stops],
            "dropped": [stop.to_fact() for stop in self.dropped],
            "rim_mm": self.rim_mm,
            "datum_mm": self.datum_mm,
            "continues": self.continues,
        }
        if self.run is None:
            address = "typed" if self.by_pod is None else self.by_pod
            self.run = self.store.begin_run(
                "travel", [self.wheel.value], facts=facts, addresses=[address]
            )
        else:
            self.store.add_facts(self.run, facts)


def _carried_out(taking: _Taking, plot: Path | None, force: bool, json_output: bool) -> int:
    for line in TRAVEL:
        typer.echo(line, err=json_output)
    if not json_output:
        say(HOW_TO)
        if taking.by_pod is not None:
            say("HEIGHT alone: camber by the pod. It stays on the wheel, untouched, throughout.")
        if taking.height_sensor is not None:
            say("Enter alone: height and camber by the pod; the first one is at ride height.")
    left = _asked(taking, json_output)
    if not taking.stops:
        say("Nothing was read.")
        return INTERRUPTED if left else REFUSED
    return _concluded(taking, plot, force, json_output, left=left)


def _asked(taking: _Taking, json_output: bool) -> bool:
    """Ask for lines until all is read; return whether it was left before the end."""
    while True:
        if json_output:
            import contextlib
            import sys

            with contextlib.redirect_stdout(sys.stderr):
                line = _line(taking)
        else:
            line = _line(taking)
        if line is None or line.lower() in ("q", "quit"):
            return True
        if line.lower() == "done":
            return False
        try:
            _one(taking, line, json_output)
        except KnuckleError as error:
            told(error)
        except KeyboardInterrupt:
            say()
            return True


def _line(taking: _Taking) -> str | None:
    try:
        line = ask(f"Reading {len(taking.stops) + 1} of {taking.wheel}")
    except (InputEnded, KeyboardInterrupt):
        return None
    if line:
        return line
    return "read" if taking.height_sensor is not None else "done"


def _one(taking: _Taking, line: str, json_output: bool) -> None:
    words = line.split()
    if words[0].lower() == "drop" and len(words) == 1:
        if not taking.stops:
            raise UsageError("There is nothing to take back.")
        taking.dropped.append(taking.stops.pop())
        taking.keep()
        say(f"Taken back: {_said(taking.dropped[-1])}.", "  ")
        return
    stop = _read(taking, words)
    taking.stops.append(stop)
    taking.keep()
    if not json_output:
        say(f"Kept: {_said(stop)}.", "  ")


def _said(stop: Stop) -> str:
    parts = [f"{stop.height_mm.value:+.1f} mm"]
    if stop.camber_deg is not None:
        parts.append(f"camber {stop.camber_deg.value:+.2f} deg")
    if stop.distances_mm:
        parts.append("toe " + " ".join(f"{mm:g}" for mm in stop.distances_mm) + " mm")
    return ", ".join(parts)


def _read(taking: _Taking, words: Sequence[str]) -> Stop:
    from knuckle.estimate.priors import Given
    from knuckle.run.travel import CAMBER_U_DEG, HEIGHT_U_MM, Stop

    if words[0].lower() == "read":
        if taking.height_sensor is None or len(words) > 1:
            raise UsageError("Which height?", "", "Type it: 25, or 25/0.5.")
        return _by_pod(taking, None)
    height = Given(*_pair(words[0], length_mm, HEIGHT_U_MM))
    if abs(height.value) > HIGHEST_MM:
        raise UsageError(
            f"{words[0]}: no wheel travels so far.", "The unit slipped.", "25mm, or 1in."
        )
    if len(words) == 1:
        if taking.by_pod is None:
            raise UsageError(
                "What was read there?", "No pod is named.", f"{words[0]} camber -1.25/0.05"
            )
        return _by_pod(taking, height)
    camber: Given | None = None
    distances: list[float] = []
    what = ""
    for word in words[1:]:
        if word.lower() in ("camber", "toe"):
            what = word.lower()
        elif what == "camber" and camber is None:
            camber = Given(*_pair(word, angle_deg, CAMBER_U_DEG))
            if abs(camber.value) > LARGEST_DEG:
                raise UsageError(f"{word} is no camber.", "The decimal point slipped.", "-1.25")
        elif what == "toe":
            front, rear = one_or_two(word, length_mm)
            if rear is None:
                raise UsageError(
                    f"{word}: two distances are needed, front and rear.", "", "toe 62.5/61.0"
                )
            distances += [front, rear]
        else:
            raise UsageError(f"{word!r} is not understood.", "", HOW_TO.split(". ")[0] + ".")
    if distances and taking.rim_mm is None:
        raise UsageError("Toe needs --rim-length.", "", "Start again with --rim-length 430mm.")
    if camber is None and not distances:
        raise UsageError("What was read there?", "", f"{words[0]} camber -1.25/0.05")
    return Stop(height, camber, distances_mm=tuple(distances))


def _pair(text: str, read: Any, unless: float) -> tuple[float, float]:
    value, u = one_or_two(text, read)
    if u is not None and u <= 0.0:
        raise UsageError(f"The uncertainty must be above zero: {text}.")
    return value, unless if u is None else u


def _by_pod(taking: _Taking, height: Given | None) -> Stop:
    """Measure camber by the pod, as `knuckle camber` does; the height too, if that is asked."""
    from knuckle.cli.camber import camber
    from knuckle.cli.priors import build_priors
    from knuckle.model.result import Quantity
    from knuckle.run.travel import by_pod

    before = {summary.run_id for summary in taking.store.runs(5)}
    here = taking.ctx.obj
    # What is read at other heights is no camber of the car: it belongs to no job.
    taking.ctx.obj = replace(here, job=None)
    try:
        camber(
            taking.ctx,
            priors=build_priors({}),
            pod=taking.by_pod,
            wheel=taking.wheel,
            calibration=taking.calibration,
            uncalibrated=taking.uncalibrated,
        )
    finally:
        taking.ctx.obj = here
    made = [s.run_id for s in taking.store.runs(5) if s.run_id not in before]
    outcome = taking.store.run(made[0]).results[-1].outcome if made else None
    if outcome is None or Quantity.CAMBER not in outcome.results:
        raise UsageError("Camber was not measured: the reading is not kept.", "", "Try again.")
    if height is None:
        height = _height(taking, made[0], outcome)
    return by_pod(height, outcome.results[Quantity.CAMBER], made[0])


def _height(taking: _Taking, run: int, outcome: Outcome) -> Given:
    """Return the height that the pod's linear sensor shows, from the first one on."""
    from knuckle.estimate.priors import Given
    from knuckle.run.calibrations import identity_in
    from knuckle.run.linear_calibrations import newest
    from knuckle.run.travel import length_at_rest
    from knuckle.store.recording import decode_run

    decoded = decode_run(taking.store, run, 0)
    if decoded.linear is None:
        raise UsageError(
            "The pod has no linear sensor.", "None is connected.", "Type the heights instead."
        )
    calibration = newest(taking.store.calibrations(), identity_in(decoded), 1)
    if calibration is None:
        raise UsageError(
            "The linear sensor is not calibrated.",
            "Its lengths would be in unknown millimetres.",
            "Calibrate it with `knuckle linear calibrate`, or type the heights.",
        )
    length = length_at_rest(decoded.linear, outcome.rests[-1], calibration)
    if taking.datum_mm is None:
        taking.datum_mm = length.value
    moved = length.value - taking.datum_mm
    up = moved if taking.height_sensor == "up" else -moved
    return Given(up, length.standard_uncertainty)


def _concluded(
    taking: _Taking, plot: Path | None, force: bool, json_output: bool, *, left: bool
) -> int:
    from knuckle.cli.outcome import print_outcome
    from knuckle.run.travel import HOW, travel_outcome
    from knuckle.store.rows import RunState

    outcome = travel_outcome(taking.wheel, taking.stops, taking.rim_mm)
    taking.keep()
    run = taking.run
    assert run is not None
    taking.store.add_result(run, outcome, method=HOW)
    state = RunState.REFUSED if outcome.refused is not None else RunState.FINISHED
    taking.store.finish_run(
        run, RunState.INTERRUPTED if left else state, facts={"complete": not left}
    )
    code = print_outcome(taking.ctx, outcome, (), f"run {run}", json_output=json_output)
    if plot is not None and outcome.refused is None:
        draw(taking.wheel, taking.stops, taking.rim_mm, run, plot, force)
        typer.echo(f"Wrote {plot}", err=json_output)
    path = invocation(taking.ctx).settings.store
    typer.echo(f"Run {run} is kept in {path}", err=json_output)
    if left:
        typer.echo(
            f"`knuckle travel --wheel {taking.wheel} --continue {run}` goes on.", err=json_output
        )
    return INTERRUPTED if left else code if code != DONE else DONE
