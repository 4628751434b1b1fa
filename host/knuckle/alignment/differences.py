"""What differences between left and right point to: a bent or shifted part, and which.

The included angle belongs to the knuckle (with its strut): no arm, no tower and no subframe
changes it. Camber and inclination change together, by opposite amounts, when the knuckle is
tilted as a whole. That much is geometry (docs/alignment-theory.md); the parts named are common
practice, no source. Only differences that the uncertainty shows are read.
"""

from __future__ import annotations

from collections.abc import Mapping

from knuckle.alignment.compare import Compared, Difference
from knuckle.alignment.pair import Pair, WheelbasePair
from knuckle.model.result import Notice, Quantity, Result


def _shown(compared: Compared | None) -> bool:
    """Whether a difference is there and large enough to matter."""
    if compared is None or compared.verdict is not Difference.DIFFERS:
        return False
    return compared.matters is None or abs(compared.difference.value) > compared.matters


def _words(compared: Compared) -> str:
    result = compared.difference
    return f"{abs(result.value):.2f} +- {result.expanded_uncertainty:.2f} deg"


def _more(compared: Compared) -> str:
    return "left" if compared.difference.value > 0.0 else "right"


def read_differences(
    pair: Pair,
    *,
    turn_out: Mapping[Quantity, Result] | None = None,
    wheelbase: WheelbasePair | None = None,
) -> tuple[Notice, ...]:
    """Return what the differences point to; empty where none is shown.

    Parameters
    ----------
    pair : Pair
    turn_out : dict of Quantity to Result, or None
        Toe-out on turns to both sides.
    wheelbase : WheelbasePair or None
    """
    found: list[Notice] = []
    included = pair.cross.get(Quantity.CROSS_INCLUDED)
    inclination = pair.cross.get(Quantity.CROSS_SAI)
    if included is not None and _shown(included):
        found.append(
            Notice(
                "KNUCKLE_DIFFERS",
                f"The included angle (SAI + camber) is {_words(included)} larger on the "
                f"{_more(included)}. No arm, tower or subframe changes it: look at knuckle, "
                "spindle and strut of both sides, and at play in a wheel bearing; which side is "
                "wrong the car maker's figure tells.",
            )
        )
    camber = pair.cross.get(Quantity.CROSS_CAMBER)
    tilted = (
        inclination is not None
        and camber is not None
        and _shown(inclination)
        and inclination.difference.value * camber.difference.value < 0.0
    )
    if tilted and inclination is not None and included is not None and not _shown(included):
        found.append(
            Notice(
                "KNUCKLE_TILTED",
                f"SAI is {_words(inclination)} larger on the {_more(inclination)} and camber is "
                f"smaller there, {_alike(included)} "
                "Look at the arms and their inner bushes, the upper mount or tower, and whether "
                "the subframe has moved sideways.",
            )
        )
    found += _caster(pair.cross.get(Quantity.CROSS_CASTER), wheelbase)
    found += _turn_out(turn_out or {})
    return tuple(found)


def _alike(included: Compared) -> str:
    """Return what like included angles say; a coarse reading does not call a knuckle whole."""
    if included.verdict is Difference.SAME:
        return "with like included angles: the knuckle is whole and stands tilted."
    return (
        f"and the included angles do not differ as far as +- "
        f"{included.difference.expanded_uncertainty:.2f} deg tells: the knuckle stands tilted, "
        "and nothing says that it is bent."
    )


def _caster(caster: Compared | None, wheelbase: WheelbasePair | None) -> list[Notice]:
    base = None if wheelbase is None else wheelbase.difference
    base_shown = base is not None and abs(base.value) > base.expanded_uncertainty
    found = []
    if base is not None and base_shown:
        shorter = "right" if base.value > 0.0 else "left"
        found.append(
            Notice(
                "WHEELBASE_DIFFERS",
                f"The wheelbase is {abs(base.value):.1f} +- {base.expanded_uncertainty:.1f} mm "
                f"shorter on the {shorter}: a front wheel stands further back there, or a rear "
                "wheel further ahead.",
            )
        )
    if caster is None or not _shown(caster):
        return found
    less = "right" if caster.difference.value > 0.0 else "left"
    words = f"Caster is {_words(caster)} smaller on the {less}"
    if base is None or not base_shown:
        taped = "measure the wheelbase on both sides to tell."
        if base is not None:
            taped = (
                f"the wheelbases are alike, as far as +- {base.expanded_uncertainty:.1f} mm tells."
            )
        found.append(
            Notice(
                "CASTER_DIFFERS",
                f"{words}. With equal wheelbases the upper joint or tower, or both joints, moved; "
                f"{taped}",
            )
        )
    elif (base.value > 0.0) == (less == "right"):
        found.append(
            Notice(
                "LOWER_JOINT_BACK",
                f"{words}, where the wheelbase is shorter too: the lower joint stands further back "
                "there (lower arm, its rear bush, a radius rod), or further ahead on the other "
                "side.",
            )
        )
    else:
        found.append(
            Notice(
                "UPPER_JOINT_AHEAD",
                f"{words}, where the wheelbase is longer: the upper joint stands further ahead "
                "there (tower, upper mount, upper arm), or further back on the other side; or a "
                "rear wheel has moved.",
            )
        )
    return found


def _turn_out(turn_out: Mapping[Quantity, Result]) -> list[Notice]:
    left, right = turn_out.get(Quantity.TURN_OUT_LEFT), turn_out.get(Quantity.TURN_OUT_RIGHT)
    if left is None or right is None:
        return []
    difference = left.value - right.value
    u = (left.expanded_uncertainty**2 + right.expanded_uncertainty**2) ** 0.5
    if abs(difference) <= u:
        return []
    return [
        Notice(
            "TURN_OUT_DIFFERS",
            f"Toe-out on turns differs by {abs(difference):.2f} +- {u:.2f} deg between left and "
            "right: a steering arm is bent, or straight ahead was not where both wheels stand "
            "alike; centre the steering and share the toe equally first.",
        )
    ]
