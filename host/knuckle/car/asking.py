"""What `knuckle car new` asks, and how an answer becomes part of a car file.

An answer keeps the unit it was typed in: the file then has `wheelbase_in`, say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from knuckle.car.keys import ADJUSTERS, CAR, CORNER, IN_LENGTH_TOO, TARGETS, Key, Word
from knuckle.car.problems import Problems
from knuckle.car.reading import read_keys
from knuckle.car.targets import read_targets
from knuckle.car.units import ANGLE, Dimension
from knuckle.errors import UsageError
from knuckle.quantities import TypedNumber, angle_deg, one_or_two, read_number

_TYPED_UNIT: Final = {
    "mm": "mm",
    "in": "in",
    "deg": "deg",
    "min": "min",
    "kPa": "kpa",
    "bar": "bar",
    "psi": "psi",
    "kg": "kg",
    "lb": "lb",
}


@dataclass(frozen=True, slots=True)
class Question:
    """One question.

    Attributes
    ----------
    table : str
        Where the answer goes: "", "front", "front.toe_link", "front.targets".
    name : str
        The key without its unit.
    words : str
        What is asked.
    needed : bool
    only_if : str
        Name of a question of the same table without whose answer this one is left out.
    """

    table: str
    name: str
    words: str
    needed: bool = False
    only_if: str = ""

    @property
    def identity(self) -> str:
        """Under which the answer is kept until the file is written."""
        return f"{self.table}.{self.name}" if self.table else self.name


def _axle(axle: str, others: str) -> tuple[Question, ...]:
    link, shim, caster = (f"{axle}.{name}" for name in ADJUSTERS)
    target = f"{axle}.{TARGETS}"
    rod = "tie rod" if axle == "front" else "toe link"
    asked = [
        Question(axle, "pressure", f"{axle} tyre pressure (190kPa, 1.9bar, 28psi)"),
        Question(axle, "ride_height", f"{axle} ride height, wheel centre to arch or as you do it"),
        Question(link, "pitch", f"{axle} {rod}: thread pitch (Enter: not adjustable or unknown)"),
        Question(link, "thread", "  its thread: single, or sleeve (left- and right-hand)", True),
        Question(link, "arm", "  steering axis to its outer joint, from above, square to it", True),
        Question(link, "side", "  it lies ahead of or behind the axle: ahead, behind"),
        Question(link, "joint_height", "  its outer joint above the lower ball joint (30mm)"),
        Question(shim, "lever", f"{axle} camber shims: height between the joints they tip about"),
        Question(shim, "place", "  they go to the upper or the lower arm: upper, lower"),
        Question(shim, "sizes", "  thicknesses at hand (1 2 4)"),
    ]
    if axle == "front":
        asked += [
            Question(caster, "pitch", "caster adjuster: travel of its joint for a turn"),
            Question(caster, "lever", "  height between the steering axis' two joints", True),
            Question(caster, "joint", "  it moves the upper or the lower joint: upper, lower"),
        ]
    asked += [
        Question(target, name, f"target: {words} as AIM/TOLERANCE{hint}")
        for name, words, hint in (
            ("camber", f"{axle} camber", " (-1.5/0.25)"),
            *((("caster", "caster", " (5/0.5)"), ("sai", "SAI", "")) if axle == "front" else ()),
            ("toe", f"{axle} toe of each wheel", " (0.1/0.05, 6'/3', 0.8mm/0.4mm)"),
            ("total_toe", f"{axle} total toe", ""),
            ("cross_camber", f"{axle} camber, left minus right", " (0/0.3)"),
            *((("cross_caster", "caster, left minus right", ""),) if axle == "front" else ()),
            *((("thrust", "thrust angle", " (0/0.1)"),) if axle == "rear" else ()),
        )
    ]
    first = {link: "pitch", shim: "lever", caster: "pitch"}
    return tuple(
        question
        if question.name == first.get(question.table, question.name)
        else Question(
            question.table, question.name, question.words, question.needed, first[question.table]
        )
        for question in asked
    )


QUESTIONS: Final[tuple[Question, ...]] = (
    Question("", "name", "name of the car", True),
    Question("", "wheelbase", "wheelbase (2340, 2340mm, 92.1in)", True),
    Question("", "track_front", "front track, between the middles of the tyres", True),
    Question("", "track_rear", "rear track", True),
    Question("", "rim", "rim measuring length, from touch point to touch point", True),
    *_axle("front", "tie rod"),
    *_axle("rear", "toe link"),
    Question("", "ballast", "ballast in the car while you align (75kg, 165lb)"),
    Question("", "fuel", "fuel, in words (half a tank)"),
)


def asked_now(question: Question, answers: Mapping[str, str]) -> bool:
    """Return whether a question is to be asked, after the answers so far."""
    if not question.only_if:
        return True
    return bool(answers.get(f"{question.table}.{question.only_if}"))


def place(document: dict[str, Any], question: Question, text: str) -> None:
    """Put an answer into the tables of a car file.

    Raises
    ------
    UsageError
        If it is no answer to the question.
    """
    problems = Problems()
    table = document
    for part in filter(None, question.table.split(".")):
        table = table.setdefault(part, {})
    if question.table.endswith(TARGETS):
        spelled, value = _target(question, text)
        rim_mm = read_keys(
            "",
            {k: v for k, v in document.items() if k.startswith("rim_")},
            [key for key in CAR if key.name == "rim"],
            Problems(),
        ).get("rim")
        read_targets(question.table, {spelled: value}, {question.name: ""}, rim_mm, problems)
    else:
        key = _key_of(question)
        spelled, value = _answer(key, text)
        read_keys(question.table, {spelled: value}, [key], problems)
    if problems.found:
        first = problems.found[0]
        raise UsageError(f"{text!r}: {first.what}", "", first.next_step)
    for unit in ("", *(f"_{unit}" for unit in _TYPED_UNIT.values())):
        table.pop(question.name + unit, None)  # an earlier answer may have had another unit
    table[spelled] = value


def _key_of(question: Question) -> Key:
    last = question.table.rpartition(".")[2]
    keys = CAR if not question.table else ADJUSTERS.get(last, CORNER)
    return next(key for key in keys if key.name == question.name)


def _answer(key: Key, text: str) -> tuple[str, Any]:
    if isinstance(key, Word):
        if not text.isprintable():
            raise UsageError("That holds a character that cannot be kept.", "", "Type it again.")
        return key.name, _whole_word(key, text)
    if key.many:
        typed = [_typed(item, key.dimension) for item in text.replace(";", " ").split()]
        units = {number.unit for number in typed if number.unit} or {key.dimension.first}
        if len(units) > 1:
            raise UsageError(f"{text!r} is in several units.", "", "Write all in one.")
        return f"{key.name}_{_TYPED_UNIT.get(unit := units.pop(), unit)}", [n.value for n in typed]
    number = _typed(text, key.dimension)
    return f"{key.name}_{_TYPED_UNIT.get(number.unit, key.dimension.first)}", number.value


def _whole_word(key: Word, text: str) -> str:
    fits = [choice for choice in key.choices if choice.startswith(text.lower())]
    return fits[0] if len(fits) == 1 else text


def _typed(text: str, dimension: Dimension) -> TypedNumber:
    number = read_number(text)
    if number.unit and _TYPED_UNIT.get(number.unit) not in dimension.units:
        raise UsageError(
            f"{text!r} is in {number.unit}, which is no unit of {dimension.words}.",
            "",
            f"Write it in {' or '.join(dimension.units)}.",
        )
    return number


def _target(question: Question, text: str) -> tuple[str, dict[str, float]]:
    """Read aim and tolerance; both in one unit, the first's where the second has none."""
    allowed = {"", "deg", "min"} | ({"mm", "in"} if question.name in IN_LENGTH_TOO else set())
    units: list[str] = []

    def read(part: str) -> float:
        try:
            number = read_number(part)
        except UsageError:
            units.append("deg")  # 1°30' is both
            return angle_deg(part)
        if number.unit not in allowed:
            raise UsageError(
                f"{part!r} is in {number.unit}, which is no unit of {question.name}.",
                "",
                "Write it in deg, min" + (", mm or in." if len(allowed) > 3 else "."),
            )
        units.append(number.unit)
        return number.value

    aim, within = one_or_two(text, read)
    if within is None:
        raise UsageError(
            f"{text!r}: a target needs its tolerance.", "", "Write AIM/TOLERANCE, say -1.5/0.25."
        )
    named = [unit for unit in units if unit]
    unit = named[0] if named else "deg"
    if set(named) == {"deg", "min"}:  # 1°30'/15'
        unit = "deg"
        in_deg = [ANGLE.units[each or "deg"] for each in units]
        aim, within = aim * in_deg[0], within * in_deg[1]
    elif len(set(named)) > 1:
        raise UsageError(f"{text!r} is in two units.", "", "Write both in one.")
    return f"{question.name}_{unit}", {"aim": aim, "within": within}
