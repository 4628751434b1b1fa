"""What the run loop reports, in the order in which it happened on each link."""

from __future__ import annotations

from dataclasses import dataclass

from knuckle.errors import KnuckleError
from knuckle.model.block import Block
from knuckle.model.linear import LinearBlock
from knuckle.model.rest import Rest
from knuckle.model.wheel import Wheel
from knuckle.wire.decoder import DecodeCounts
from knuckle.wire.messages import Command, Hello, Message, ResetCause
from knuckle.wire.settings import SettingsRecord


@dataclass(frozen=True, slots=True)
class RunEvent:
    """Something that happened on one link.

    Attributes
    ----------
    wheel : Wheel
        Whose pod.
    at_s : float
        When, in the link's own time: the arrival of the bytes that told it.
    """

    wheel: Wheel
    at_s: float


@dataclass(frozen=True, slots=True)
class PodSeen(RunEvent):
    """A pod has said what it is and samples are about to come.

    Attributes
    ----------
    hello : Hello or None
        None for a pod that speaks the text format.
    settings : SettingsRecord or None
        Its settings, calibration included; None if it has none that can be read.
    settings_problem : str
        Why there are none, in words; else empty.
    facts : tuple of (str, str)
        A text pod's ``# key=value`` lines.
    again : bool
        Whether it was seen before in this run: after a lost link or a restart.
    """

    hello: Hello | None
    settings: SettingsRecord | None
    settings_problem: str = ""
    facts: tuple[tuple[str, str], ...] = ()
    again: bool = False

    @property
    def identity(self) -> bytes:
        """Eight bytes that tell this pod from any other; all zero if it has none."""
        if self.settings is not None:
            return self.settings.identity
        return self.hello.identity if self.hello is not None else bytes(8)

    def has_other_table(self, hello: Hello) -> bool:
        """Return whether the pod now tells of other channels than when it was seen."""
        return self.hello is not None and self.hello.channels != hello.channels


@dataclass(frozen=True, slots=True)
class Samples(RunEvent):
    """New samples, calibrated.

    Attributes
    ----------
    block : Block
        On pod time.
    """

    block: Block


@dataclass(frozen=True, slots=True)
class LinearSamples(RunEvent):
    """New readings of the linear channels, with accelerometer or without; not calibrated.

    Attributes
    ----------
    linear : LinearBlock
        On pod time, the same as `Samples.block`.
    """

    linear: LinearBlock


@dataclass(frozen=True, slots=True)
class RestReady(RunEvent):
    """The wheel has come to rest, and the rest is good enough for a cue.

    Attributes
    ----------
    t_s : float
        When, in pod time.
    rest : Rest
        As far as it goes.
    """

    t_s: float
    rest: Rest


@dataclass(frozen=True, slots=True)
class RestEnded(RunEvent):
    """A rest is over (or the recording is).

    Attributes
    ----------
    t_s : float
        When, in pod time.
    rest : Rest
        Whole.
    """

    t_s: float
    rest: Rest


@dataclass(frozen=True, slots=True)
class RestWithdrawn(RunEvent):
    """What was announced, or even ended, as a rest was none, and must not be used.

    It may come late: a slow drift shows only beside other rests. Which rests stand is always
    told by `RunLoop.rests`.

    Attributes
    ----------
    t_s : float
        When that showed, in pod time.
    start_s, end_s : float
        The stretch that looked like a rest, in pod time.
    why : str
        In words.
    """

    t_s: float
    start_s: float
    end_s: float
    why: str


@dataclass(frozen=True, slots=True)
class Knocked(RunEvent):
    """A disturbance within a rest is over and was left out.

    Attributes
    ----------
    t_s : float
        When, in pod time.
    """

    t_s: float


@dataclass(frozen=True, slots=True)
class StillnessChanged(RunEvent):
    """The wheel's state changed.

    Attributes
    ----------
    state : str
        "moving", "settling" or "still".
    """

    state: str


@dataclass(frozen=True, slots=True)
class LinkDown(RunEvent):
    """Nothing comes from the pod any more; the loop tries to get it back.

    Attributes
    ----------
    reason : KnuckleError
        What happened, cause and next step.
    """

    reason: KnuckleError


@dataclass(frozen=True, slots=True)
class LinkUp(RunEvent):
    """The pod is back.

    Attributes
    ----------
    gap_s : float
        Time without bytes, in s.
    """

    gap_s: float


@dataclass(frozen=True, slots=True)
class PodRestarted(RunEvent):
    """The pod has started anew in the middle of a run.

    Attributes
    ----------
    cause : ResetCause
        As it says itself.
    """

    cause: ResetCause


@dataclass(frozen=True, slots=True)
class ButtonPressed(RunEvent):
    """The pod's button was pressed."""


@dataclass(frozen=True, slots=True)
class PodReport(RunEvent):
    """A status or fault message of the pod, as it came."""

    message: Message


@dataclass(frozen=True, slots=True)
class CommandFailed(RunEvent):
    """A command of the program itself (a cue, a question) was refused or lost.

    Attributes
    ----------
    command : Command
        Which.
    reason : KnuckleError
        What happened.
    """

    command: Command
    reason: KnuckleError


@dataclass(frozen=True, slots=True)
class Health(RunEvent):
    """How the link does; about once a second while bytes come.

    Attributes
    ----------
    counts : DecodeCounts
        Totals since the start.
    rate_hz : float
        Samples a second over the last period of arrivals.
    lost : int
        Samples missing in this period.
    accel_noise_g, gyro_noise_dps : float or None
        Noise of the worst axis over the period: root mean square of the differences of
        neighbouring samples, over sqrt(2); hand and wheel movement hardly enter. None with
        fewer than ten samples, or without such a channel.
    temp_c : float or None
        The last temperature.
    bytes_per_s : float
        That arrived over the period.
    """

    counts: DecodeCounts
    rate_hz: float
    lost: int
    accel_noise_g: float | None
    gyro_noise_dps: float | None
    temp_c: float | None
    bytes_per_s: float = 0.0


@dataclass(frozen=True, slots=True)
class RateFitted(RunEvent):
    """The link carries less than the pod sends.

    Attributes
    ----------
    bytes_per_s : float
        That it carries.
    averaging : int
        The smallest that it carries.
    rate_hz : float
        Samples a second with that.
    applied : bool
        Whether the pod has been told to average so. Late in a run it is not: a recording has one
        rate.
    """

    bytes_per_s: float
    averaging: int
    rate_hz: float
    applied: bool


@dataclass(frozen=True, slots=True)
class Ended(RunEvent):
    """A link's last event.

    Attributes
    ----------
    error : KnuckleError or None
        None when a recording or a simulation came to its end or the run was stopped; else
        why the pod could not be brought back.
    """

    error: KnuckleError | None
