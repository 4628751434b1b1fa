"""Is the fit sound? The brake checked, slips found, misfit told; never assumed.

In this order: the fit with the brake held must agree with the readings, and with the wheel's roll
that the readings alone show. If not, the roll's tolerance is widened, or the roll set free. If that
does not explain the readings either, a slip of the mount is looked for. What remains is a misfit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from knuckle.analysis.brake import LARGEST_ROLL_DEG, Roll, judge_roll
from knuckle.analysis.doubt import Doubt
from knuckle.analysis.fit import Fit, FitFunction, fit_or_none
from knuckle.analysis.slip import likeliest_slip
from knuckle.errors import MeasurementRefused
from knuckle.estimate.priors import Priors
from knuckle.model.result import Notice

MISFIT_SIGNIFICANCE = 1e-3
"""Chance of calling a sound fit a misfit."""

SLIP_GAIN = 20.0
"""By how much a slip must lower chi-squared to be believed."""

AS_GOOD = 10.0
"""A slip explains the readings as well as a roll if its chi-squared is larger by less than this."""

LEAST_SLIP_DEG = 0.05

LARGEST_SLIP_BELIEVED_DEG = 5.0
"""A pod that tilts farther falls off: something else is wrong."""

LARGEST_SCATTER = 4.0
"""Refuse when the readings scatter by more than this many times what their rows say."""


@dataclass(frozen=True)
class Sources:
    """What a sweep offers for telling faults apart.

    Attributes
    ----------
    gyro : bool
        Whether turns were measured.
    unseen : sequence of int
        The rests after which a slip of the mount would go unseen: no position was visited
        both before and after.
    doubts : sequence of Doubt
        What was typed and may be wrong, where something else tells the steer angle.
    """

    gyro: bool
    unseen: Sequence[int]
    doubts: Sequence[Doubt] = ()


@dataclass(frozen=True)
class SoundFit:
    """The fit to use, what to say of it, and by how much to widen its uncertainties."""

    fit: Fit
    notices: tuple[Notice, ...] = ()
    inflation: float = 1.0


def find_sound_fit(fit: FitFunction, priors: Priors, sources: Sources) -> SoundFit:
    """Return a fit that agrees with the readings.

    Raises
    ------
    MeasurementRefused
        PLATES_DISAGREE, LINEAR_DISAGREES, BRAKE_NOT_HELD, BRAKE_OR_MOUNT, MOUNT_SLIPPED or
        READINGS_DISAGREE.
    """
    try:
        chosen, roll_deg, notices = _held_or_free(fit, priors, sources)
    except MeasurementRefused:
        _refuse_doubtful(priors, sources)
        raise
    if chosen.probability >= MISFIT_SIGNIFICANCE:
        for doubt in sources.doubts:
            doubt.check_against(chosen, roll_deg, MISFIT_SIGNIFICANCE)
        return SoundFit(chosen, notices)
    _refuse_doubtful(priors, sources)
    _refuse_slip(fit, priors, chosen)
    return _misfit(chosen, notices)


def _refuse_doubtful(priors: Priors, sources: Sources) -> None:
    """Refuse if the readings fit, once one thing that was typed is left out."""
    for doubt in sources.doubts:
        bare = fit_or_none(doubt.without, priors.roll_held_deg)
        if bare is not None and bare.probability >= MISFIT_SIGNIFICANCE:
            raise doubt.refusal


def _held_or_free(
    fit: FitFunction, priors: Priors, sources: Sources
) -> tuple[Fit, float, tuple[Notice, ...]]:
    """Return the fit, the roll's prior in it (deg), and what to say."""
    if not priors.brake_held:
        if not sources.gyro:
            raise _no_gyro("The brake was said to be free, and there is no gyro.")
        return fit(priors.roll_free_deg, None), priors.roll_free_deg, ()
    held = fit(priors.roll_held_deg, None)
    free = fit_or_none(fit, priors.roll_free_deg)
    roll = None if free is None else judge_roll(free, priors.roll_held_deg)
    if free is None or roll is None or not roll.doubtful:
        return held, priors.roll_held_deg, ()
    if not roll.not_held and (sources.unseen or not sources.gyro):
        return held, priors.roll_held_deg, ()
    if not roll.not_held:
        roll_deg = max(priors.roll_held_deg, roll.rms_deg)
        return (
            fit(roll_deg, None),
            roll_deg,
            (
                Notice(
                    "BRAKE_DOUBTFUL",
                    f"The readings show a roll of the wheel of about {roll.span_deg:.1f} deg, a "
                    "little more than a held brake mostly does; the uncertainty allows for it.",
                ),
            ),
        )
    _check_roll(fit, priors, sources, free, roll)
    return (
        free,
        priors.roll_free_deg,
        (
            Notice(
                "BRAKE_NOT_HELD",
                f"The wheel, or the pod about its axle, turned by about {roll.span_deg:.1f} deg "
                "while it was steered: most likely the foot brake was not held firmly; or the "
                "steering axis itself moves with steer, or a typed figure is wrong. The roll was "
                "set free, and inclination is less certain.",
            ),
        ),
    )


def _check_roll(fit: FitFunction, priors: Priors, sources: Sources, free: Fit, roll: Roll) -> None:
    """Refuse a roll from which no result can be had."""
    if not sources.gyro:
        raise _no_gyro(
            f"The wheel seems to have rolled by about {roll.span_deg:.1f} deg while it was "
            "steered, or a typed figure is wrong."
        )
    if roll.span_deg > LARGEST_ROLL_DEG:
        raise MeasurementRefused(
            "BRAKE_NOT_HELD",
            f"The pod turned by about {roll.span_deg:.0f} deg about the wheel's axle.",
            "The car rolled away, or the pod was hung anew during the sweep.",
            "Hold the foot brake, leave the pod alone, and sweep again.",
        )
    for after in sources.unseen:
        slipped = fit(priors.roll_held_deg, after)
        if slipped.chi_squared < free.chi_squared + AS_GOOD:
            raise MeasurementRefused(
                "BRAKE_OR_MOUNT",
                f"The wheel rolled by about {roll.span_deg:.1f} deg, or the pod slipped on its "
                f"mount (or the car leaned) by about {slipped.slip_deg:.1f} deg after rest "
                f"{after + 1}: these readings cannot tell which.",
                "No position was visited both before and after.",
                "Hold the brake, tighten the mount, and return to straight ahead at the end.",
            )


def _no_gyro(what: str) -> MeasurementRefused:
    return MeasurementRefused(
        "BRAKE_NOT_HELD",
        what,
        "Without a gyro, left and right cannot be told apart on a wheel that rolls.",
        "Hold the foot brake, check the mount and what was typed (--plates: left first; "
        "--linear-longer: which side), and sweep again.",
    )


def _refuse_slip(fit: FitFunction, priors: Priors, chosen: Fit) -> None:
    best, after = likeliest_slip(fit, priors.roll_free_deg, chosen.model.count)
    gain = chosen.chi_squared - best.chi_squared
    explains = gain > SLIP_GAIN and best.probability >= MISFIT_SIGNIFICANCE
    if explains and LEAST_SLIP_DEG < best.slip_deg <= LARGEST_SLIP_BELIEVED_DEG:
        raise MeasurementRefused(
            "MOUNT_SLIPPED",
            f"The pod moved on its mount by about {best.slip_deg:.2f} deg after rest {after + 1}.",
            "A clamp is loose, something touched the pod, or someone leaned on the car.",
            "Tighten the mount, check that nothing touches the pod at full lock, sweep again.",
        )


def _misfit(chosen: Fit, notices: tuple[Notice, ...]) -> SoundFit:
    if chosen.scatter > LARGEST_SCATTER:
        raise MeasurementRefused(
            "READINGS_DISAGREE",
            "The readings do not fit a wheel that turns about one fixed axis: they scatter "
            f"{chosen.scatter:.1f} times as much as they should.",
            "The car moved, the pod was hung anew, or a typed angle or tolerance is wrong.",
            "Check mount, brake and typed figures, and sweep again.",
        )
    misfit = Notice(
        "MODEL_MISFIT",
        "The readings fit one fixed steering axis less well than their noise allows "
        f"({chosen.scatter:.1f} times): the axis moves with steer, or something gave way. "
        "The uncertainties are widened by that factor.",
    )
    return SoundFit(chosen, (*notices, misfit), chosen.scatter)
