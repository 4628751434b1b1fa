"""``knuckle car``: the car file, asked for, shown, checked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from knuckle.cli.answers import InputEnded, ask, say, told
from knuckle.cli.exit_codes import DONE, INTERRUPTED
from knuckle.errors import KnuckleError, UsageError

if TYPE_CHECKING:
    from pathlib import Path

    from knuckle.car.asking import Question
    from knuckle.car.draft import Draft

group = typer.Typer(
    help="The car file: asked for, shown, checked.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
FileArgument = Annotated[
    str, typer.Argument(metavar="FILE", help="The car file; .toml may be left off.")
]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.add_typer(group, name="car")


@group.command("new")
def new(file: FileArgument) -> int:
    """Ask for a car's measures, adjusters and targets, and write its file.

    Most questions may be passed over with Enter. Stopped half way, it goes on from there.
    """
    from knuckle.car.asking import QUESTIONS, asked_now
    from knuckle.car.draft import Draft
    from knuckle.car.file import exists, path_of

    path = path_of(file)
    if path.exists():
        raise exists(path)
    draft = Draft(path)
    say(
        "Lengths are in mm unless you write in behind them, angles in deg unless min. Enter "
        "passes a question over, `back` goes to the one before, `done` leaves out the rest."
    )
    if draft.answers:
        say(f"Going on with {len(draft.answers)} answers kept in {draft.path}.")
    say()
    document = _replayed(draft)
    asked: list[Question] = []
    waiting = [question for question in QUESTIONS if question.identity not in draft.answers]
    try:
        while waiting:
            question = waiting.pop(0)
            if not asked_now(question, draft.answers):
                continue
            answer = ask(question.words + (" *" if question.needed else ""))
            if answer.lower() == "back":
                waiting[:0] = [*asked[-1:], question]
                del asked[-1:]
                continue
            if answer.lower() == "done":
                needed = [
                    q for q in (question, *waiting) if q.needed and asked_now(q, draft.answers)
                ]
                if not needed:
                    break
                waiting = needed
                continue
            if _take(document, draft, question, answer):
                asked.append(question)
            else:
                waiting.insert(0, question)
    except (InputEnded, KeyboardInterrupt) as stop:
        say()
        if draft.answers:
            say(f"Stopped: {len(draft.answers)} answers are kept in {draft.path}.")
            say(f"`knuckle car new {file}` goes on from there.")
        if isinstance(stop, KeyboardInterrupt):
            return INTERRUPTED
        raise KnuckleError(
            "The input ended before the last question.",
            "",
            "Answer `done` to leave out the rest.",
        ) from None
    return _written(path, draft)


def _replayed(draft: Draft) -> dict[str, object]:
    """Return the tables that the kept answers make; those that are none are asked anew."""
    from knuckle.car.asking import QUESTIONS, place

    document: dict[str, object] = {}
    for question in QUESTIONS:
        text = draft.answers.get(question.identity)
        if text:
            try:
                place(document, question, text)
            except UsageError:
                del draft.answers[question.identity]
    return document


def _take(document: dict[str, object], draft: Draft, question: Question, answer: str) -> bool:
    """Take an answer, and keep it; return whether it is one."""
    from knuckle.car.asking import place

    if not answer and question.needed:
        say("This one is needed.", "  ! ")
        return False
    if answer:
        try:
            place(document, question, answer)
        except UsageError as error:
            told(error)
            return False
    draft.keep(question.identity, answer)
    return True


def _written(path: Path, draft: Draft) -> int:
    from knuckle.car.file import read_car, write_new
    from knuckle.car.keys import FORMAT, VERSION

    # Anew from the answers that count: one that was changed by `back` may have left another unit.
    document = {FORMAT: VERSION, **_replayed(draft)}
    write_new(path, document)
    read_car(path)
    draft.drop()
    say()
    say(f"{path} is written. `knuckle car show {path}` shows it; change it with a text editor.")
    return DONE


@group.command("show")
def show(
    file: FileArgument,
    json_output: Annotated[bool, typer.Option("--json", help="Print one JSON object.")] = False,
) -> int:
    """Show a car file, every measure in the program's units."""
    from knuckle.car.file import path_of, read_car
    from knuckle.car.writing import document_of

    read = read_car(path_of(file))
    if json_output:
        import json

        typer.echo(json.dumps(document_of(read.car), indent=1, ensure_ascii=True))
    else:
        from knuckle.car.words import car_lines

        for line in car_lines(read.car):
            typer.echo(line)
    return DONE


@group.command("check")
def check(
    file: FileArgument,
) -> int:
    """List all that is wrong in a car file, with its lines; exit code 2 if anything is."""
    from knuckle.car.file import check_car, path_of

    path = path_of(file)
    found = check_car(path)
    if not found:
        say(f"{path} is sound.")
        return DONE
    say(f"{path}: {len(found)} {'things are' if len(found) > 1 else 'thing is'} wrong.")
    for line, problem in found:
        at = "" if line is None else f"line {line}: "
        say(f"{at}{problem.place}: {problem.what} {problem.next_step}".rstrip(), " - ", "   ")
    return UsageError.exit_code
