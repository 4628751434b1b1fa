"""`knuckle align`: what to turn, what was turned, and the close."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, Final

import typer

from knuckle.cli.align_lead import Lead, words_of
from knuckle.cli.answers import say
from knuckle.cli.cautions import ADJUST, TEST_DRIVE
from knuckle.cli.options import read_wheel
from knuckle.errors import UsageError
from knuckle.quantities import read_number

if TYPE_CHECKING:
    from knuckle.alignment.adjusters import Kind as AdjusterKind
    from knuckle.job.advising import Advised
    from knuckle.job.book import JobView

_MOST_TURNS: Final = 60.0
_LEAST_EFFECT_DEG: Final = 0.05
"""What an adjuster moves beside its own figure is told from here on."""


def adjust(lead: Lead) -> None:
    """Say what to turn, in the order of work, and ask what was."""
    from knuckle.alignment.advice import Worth
    from knuckle.alignment.work_order import WHY
    from knuckle.job.phases import Kind, Phase

    view = lead.view()
    every = advised(lead, view)
    touch = [each for each in every if each.advice.worth in (Worth.ADJUST, Worth.TRY)]
    for each in every:
        _told(each)
    if not every:
        say("No figure that was read has a target: nothing is advised.")
    if touch:
        for line in ADJUST:
            typer.echo(line)
        say("In this order. " + " ".join(WHY))
    elif every:
        say("Nothing here is worth touching.")
    done = []
    for each in touch:
        amount = lead.ask_for(_question(each), partial(_amount, each))
        sequence = _keep_advice(lead, each)
        if amount:
            advice = each.advice
            _turned(lead, advice.wheel.value, advice.kind, amount, sequence)
            done.append(advice.kind)
    while other := lead.ask_for(
        "Anything else turned? As `LF link -0.5`, or shim, caster [no]", _other
    ):
        wheel, kind, amount = other
        _turned(lead, wheel, kind, amount, None)
        done.append(kind)
    if done:
        _remind(lead, done)
    else:
        lead.enter(Phase.ADJUST, Kind.FINISHED, {})


def advised(lead: Lead, view: JobView) -> tuple[Advised, ...]:
    """Return what to do on a car, with what it has answered in its earlier jobs."""
    from knuckle.job.advising import advices_of
    from knuckle.store.database import Store

    with Store(lead.store, read_only=True) as store:
        return advices_of(store, view)


def _told(each: Advised) -> None:
    from knuckle.alignment.advice import Worth

    advice = each.advice
    reading = f"{advice.reading.value:+.2f} ± {advice.reading.expanded_uncertainty:.2f} deg"
    name = advice.quantity.value
    if each.counted_in_deg:
        reading += f" once what stands above is done ({each.counted_in_deg:+.2f} of it by that)"
    say(
        f"{advice.wheel.value} {name} {reading}, aim {advice.target.value:+.2f}. {advice.words}",
        "  ",
        "     ",
    )
    if each.contradiction:
        say(
            "The car has answered otherwise than its file says: check side, arm and thread there. "
            "What it answered counts.",
            "     ! ",
            "       ",
        )
    if advice.worth is Worth.ADJUST and advice.predicted is not None:
        say(
            f"Then {name} will be {advice.predicted.value:+.2f} ± "
            f"{advice.predicted.expanded_uncertainty:.2f} deg.",
            "     ",
        )
    for effect in advice.side_effects if advice.worth in (Worth.ADJUST, Worth.TRY) else ():
        other = effect.quantity.value.replace("steering_axis_inclination", "SAI")
        if effect.change_deg is None:
            say(f"It moves {other} too; by how much is not known: read it again.", "     ")
        elif abs(effect.change_deg.value) >= _LEAST_EFFECT_DEG:
            say(f"It moves {other} by about {effect.change_deg.value:+.2f} deg.", "     ")


def _question(each: Advised) -> str:
    from knuckle.alignment.adjusters import Kind

    advice = each.advice
    made, signs = {
        Kind.TOE_LINK: ("turns made", "+ longer, - shorter"),
        Kind.CAMBER_SHIM: ("mm of shims", "+ added, - taken out"),
        Kind.CASTER: ("turns made", "+ rearward, - forward"),
    }[advice.kind]
    if advice.amount is None or advice.worth.value == "try":
        advised = ""
    else:
        advised = f"; `y` as advised, {advice.amount.value:+.2f}"
    return f"{advice.wheel.value} {advice.kind.value}: {made} ({signs}{advised}) [0]"


def _amount(each: Advised, line: str) -> float:
    if line.lower() in ("y", "yes"):
        if each.advice.amount is None or each.advice.worth.value == "try":
            raise UsageError("The direction is not known: type what was turned, with its sign.")
        return each.advice.amount.value
    return _number(line or "0")


def _number(text: str) -> float:
    typed = read_number(text)
    if typed.unit not in ("", "mm"):
        raise UsageError(f"{text!r} is in {typed.unit}.", "", "Write turns, or mm of shims.")
    if abs(typed.value) > _MOST_TURNS:
        raise UsageError(f"{text!r} is more than {_MOST_TURNS:.0f}.", "", "Check the number.")
    return typed.value


def _other(line: str) -> tuple[str, AdjusterKind, float] | None:
    from knuckle.alignment.adjusters import Kind

    kinds = {"link": Kind.TOE_LINK, "shim": Kind.CAMBER_SHIM, "caster": Kind.CASTER}
    words = words_of(line)
    if not words or words in (["no"], ["n"]):
        return None
    if len(words) != 3 or words[1].lower() not in kinds:
        raise UsageError(f"{line!r} is no adjustment.", "", "Write LF link -0.5, or Enter.")
    amount = _number(words[2])
    if amount == 0.0:
        raise UsageError("Nothing was turned.", "", "Enter goes on.")
    return read_wheel(words[0]).value, kinds[words[1].lower()], amount


def _keep_advice(lead: Lead, each: Advised) -> int:
    from knuckle.job.advising import advice_record
    from knuckle.job.phases import Kind, Phase

    return lead.enter(Phase.ADJUST, Kind.ADVICE, advice_record(each))


def _turned(lead: Lead, wheel: str, kind: AdjusterKind, amount: float, advice: int | None) -> None:
    from knuckle.job.answered import UNIT
    from knuckle.job.phases import Kind, Phase

    record: dict[str, Any] = {
        "wheel": wheel,
        "adjuster": kind.value,
        "amount": amount,
        "unit": UNIT[kind],
        "advice": advice,
    }
    lead.enter(Phase.ADJUST, Kind.TURNED, record)


def remind_again(lead: Lead) -> None:
    """Remind of what was turned before the job was left."""
    from knuckle.alignment.adjusters import Kind

    state = lead.view().state
    since = max((each.sequence for each in state.readings), default=-1)
    names = {str(t.record.get("adjuster")) for t in state.turned if t.sequence > since}
    if kinds := [kind for kind in Kind if kind.value in names]:
        _remind(lead, kinds)


def _remind(lead: Lead, kinds: list[AdjusterKind]) -> None:
    from knuckle.alignment.work_order import reminders

    plates = lead.view().state.answers.get("plates")
    free = plates is not None and bool(plates.record.get("done"))
    said = dict.fromkeys(line for kind in kinds for line in reminders(kind, slip_plates=free))
    say("Before you read again:")
    for line in said:
        say(line, " - ", "   ")
    if not free:
        say(
            "Strings on stands beside the car no longer hold once it was rolled: hang and measure "
            "them anew before toe (`q`, then `knuckle align CAR --phase strings`).",
            " - ",
            "   ",
        )


def worth_another_round(lead: Lead) -> bool:
    """Return whether something read is still worth adjusting."""
    from knuckle.alignment.advice import Worth

    return any(each.advice.worth is Worth.ADJUST for each in advised(lead, lead.view()))


def close(lead: Lead) -> bool:
    """Close the job; return whether it is."""
    from knuckle.cli.align_status import print_status
    from knuckle.job.phases import Kind, Phase

    view = lead.view()
    print_status(view, with_figures=False)  # they stand above, from the reading or the greeting
    if view.state.turned_since or any(row.stale for row in view.figures):
        say("Something was turned that has not been read again.", "  ! ")
    tight = lead.yes("Lock nuts and bolts tight, and read again since?", False)
    for line in TEST_DRIVE:
        typer.echo(line)
    if not lead.yes("Close this job?", tight):
        return False
    lead.enter(Phase.CLOSE, Kind.CLOSED, {"tight": tight})
    return True
