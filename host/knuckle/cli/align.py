"""``knuckle align``: a whole alignment, led from the preparation to the close."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

import typer

from knuckle.cli.align_lead import HELP, Lead, Leave, Options, SkipPhase
from knuckle.cli.answers import say
from knuckle.cli.exit_codes import DONE, INTERRUPTED
from knuckle.cli.invocation import invocation
from knuckle.cli.live import DriverOption
from knuckle.cli.options import PodOption
from knuckle.cli.request import CalibrationOption, PlatesOption, UncalibratedOption
from knuckle.cli.sweep_pair import LeftPodOption, RightPodOption, check_pair
from knuckle.errors import UsageError

if TYPE_CHECKING:
    from knuckle.car.file import CarFile
    from knuckle.job.book import JobView
    from knuckle.job.phases import Phase
    from knuckle.store.rows import JobOf

CarArgument = Annotated[
    str, typer.Argument(metavar="CAR", help="The car file; .toml may be left off.")
]
PhaseOption = Annotated[
    str | None,
    typer.Option(
        "--phase",
        metavar="PHASE",
        help="Begin with this phase, done before or not: preparation, pads, strings, readings, "
        "adjust, re-read, close.",
        show_default=False,
    ),
]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("align", help="Lead through a whole alignment; goes on where it was left.")(align)


def align(
    ctx: typer.Context,
    car: CarArgument,
    *,
    pod: PodOption = None,
    phase: PhaseOption = None,
    skip: Annotated[
        list[str] | None,
        typer.Option(
            "--skip", metavar="PHASE", help="Skip a phase; again for more.", show_default=False
        ),
    ] = None,
    new: Annotated[
        bool, typer.Option("--new", help="Begin another job though one is open.")
    ] = False,
    reload: Annotated[
        bool, typer.Option("--reload", help="Take the car file as it is now into the open job.")
    ] = False,
    status: Annotated[
        bool, typer.Option("--status", help="Show how the job stands, and end.")
    ] = False,
    json_output: Annotated[
        bool, typer.Option("--json", help="With --status: print one JSON object.")
    ] = False,
    left_pod: LeftPodOption = None,
    right_pod: RightPodOption = None,
    plates: PlatesOption = None,
    driver: DriverOption = None,
    channel: Annotated[
        str | None,
        typer.Option(
            "--linear-channel",
            metavar="N",
            help="Which linear channel of the pod measures toe, from 1.",
            show_default=False,
        ),
    ] = None,
    linear_calibration: Annotated[
        str | None,
        typer.Option(
            "--linear-calibration",
            metavar="FILE",
            help="The linear channel's calibration; the newest in the store if not given.",
            show_default=False,
        ),
    ] = None,
    calibration: CalibrationOption = None,
    uncalibrated: UncalibratedOption = False,
) -> int:
    """Open the car's job, or begin one, and lead from phase to phase."""
    from knuckle.car.file import path_of, read_car

    begin_with = None if phase is None else read_phase(phase)
    skipped = [read_phase(text) for text in skip or ()]
    if "close" in skipped:
        raise UsageError("The close is not skipped: leave the job open with `q`.")
    if json_output and not status:
        raise UsageError("--json belongs to --status.", "", "Say both.")
    file = read_car(path_of(car))
    if status:
        return _status(ctx, file, json_output)
    lead = Lead(
        ctx,
        _opened(ctx, file, new=new, reload=reload, skipped=skipped),
        Options(
            pod,
            plates,
            driver,
            calibration,
            uncalibrated,
            channel,
            linear_calibration,
            check_pair(left_pod, right_pod),
        ),
    )
    _greet(lead.view(), file)
    try:
        _through(lead, begin_with)
    except (Leave, KeyboardInterrupt) as stop:
        say()
        say(f"Left. Everything entered is kept; `knuckle align {car}` goes on from here.")
        return INTERRUPTED if isinstance(stop, KeyboardInterrupt) else DONE
    return DONE


def read_phase(text: str) -> Phase:
    """Read a phase's name.

    Raises
    ------
    UsageError
        If there is none of it.
    """
    from knuckle.job.phases import Phase

    name = text.strip().lower()
    if name == "reread":
        return Phase.REREAD
    if name not in set(Phase):
        raise UsageError(f"{text!r} is no phase.", "", f"There are {', '.join(Phase)}.")
    return Phase(name)


def _status(ctx: typer.Context, file: CarFile, json_output: bool) -> int:
    from knuckle.cli.align_status import print_status, status_json
    from knuckle.job.advising import advices_of
    from knuckle.job.book import view_of
    from knuckle.store.database import Store

    path = invocation(ctx).settings.store
    row = None
    if path.exists():
        with Store(path, read_only=True) as store:
            found = [each for each in store.jobs.cars() if each.name == file.car.name]
            jobs = store.jobs.jobs(found[0].car_id, limit=1) if found else []
            row = jobs[0] if jobs else None
            view = None if row is None else view_of(store, row.job_id)
            advice = () if view is None or view.state.closed else advices_of(store, view)
    if row is None or view is None:
        raise UsageError(
            f"There is no job on {file.car.name} yet.",
            "",
            f"`knuckle align {file.path}` begins one.",
        )
    if json_output:
        typer.echo(json.dumps(status_json(view, advice), indent=1, ensure_ascii=True))
    else:
        print_status(view)
    return DONE


def _opened(
    ctx: typer.Context, file: CarFile, *, new: bool, reload: bool, skipped: list[Phase]
) -> JobOf:
    from knuckle.job.book import car_facts, open_or_begin
    from knuckle.job.phases import Kind, Phase
    from knuckle.store.database import Store
    from knuckle.store.rows import JobOf

    with Store(invocation(ctx).settings.store) as store:
        job, begun = open_or_begin(store, file, anew=new)
        if reload and not begun:
            store.jobs.add(job, Phase.PREPARATION, Kind.CAR, car_facts(file))
        for phase in skipped:
            store.jobs.add(job, phase, Kind.SKIPPED, {})
        return JobOf(job, store.jobs.job(job).car_id)


def _greet(view: JobView, file: CarFile) -> None:
    from knuckle.cli.align_status import print_status

    print_status(view)
    if view.digest != file.digest:
        say(
            "The car file has changed since: this job keeps it as it was. --reload takes it as it "
            "is now.",
            "  ! ",
            "    ",
        )
    lost = [each.entry.run_id for each in view.state.readings if each.record.get("taken_up")]
    if lost:
        runs = ", ".join(str(run) for run in lost)
        say(f"Taken up: run {runs}, cut off before it was entered.", "  ! ", "    ")
    say()
    say(HELP)


def _through(lead: Lead, begin_with: Phase | None) -> None:
    from knuckle.cli.align_adjust import remind_again, worth_another_round
    from knuckle.job.phases import Kind, Mark, Phase

    phase = begin_with or lead.view().state.next_phase
    again = begin_with is not None
    if phase is Phase.REREAD:
        say()
        remind_again(lead)
    while True:
        say()
        say(f"== {phase.value} ==")
        try:
            if _carried_out(lead, phase, again=again):
                return
        except SkipPhase:
            if phase is Phase.CLOSE:
                raise Leave from None
            lead.enter(phase, Kind.SKIPPED, {})
        again = False
        state = lead.view().state
        left = state.next_phase
        if (
            phase in (Phase.READINGS, Phase.REREAD)
            and state.mark(phase) is Mark.DONE
            and left is Phase.CLOSE
            and worth_another_round(lead)
            and lead.yes("Something is still worth adjusting. Adjust again?", True)
        ):
            left = Phase.ADJUST
        phase = left


def _carried_out(lead: Lead, phase: Phase, *, again: bool) -> bool:
    """Lead through one phase; return whether the job has ended."""
    from knuckle.cli.align_adjust import adjust, close
    from knuckle.cli.align_prepare import pads, prepare, strings
    from knuckle.cli.align_read import read
    from knuckle.cli.align_status import print_figures
    from knuckle.job.phases import Kind, Phase

    if phase is Phase.PREPARATION:
        prepare(lead, again=again)
    elif phase in (Phase.PADS, Phase.STRINGS):
        (pads if phase is Phase.PADS else strings)(lead)
        state = lead.view().state
        if not (state.pads if phase is Phase.PADS else state.strings):
            raise SkipPhase
        lead.enter(phase, Kind.FINISHED, {})
    elif phase in (Phase.READINGS, Phase.REREAD):
        read(lead, phase)
        print_figures(lead.view())
    elif phase is Phase.ADJUST:
        adjust(lead)
    elif close(lead):
        say("Closed.")
        return True
    else:
        raise Leave
    return False
