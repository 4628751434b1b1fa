"""Every error the program raises on purpose.

::

    KnuckleError                 exit code
    +-- UsageError               2   what was typed or asked for cannot be done
    +-- RecordingError           1   a file or log cannot be read; names line and column
    +-- LinkError                1   the way to a pod
    |   +-- LinkNotFound             no such port, pod or file
    |   +-- LinkBusy                 another program holds it
    |   +-- LinkPermission           the system does not let us
    |   +-- LinkUnavailable          this computer has no such way: no adapter, off, too old
    |   +-- LinkWrongDevice          something answers, but it is no pod
    |   +-- LinkLost                 it was there and is gone
    |   +-- LinkTimeout              nothing came, or a write did not finish, in time
    +-- PodError                 1   the pod answered with an error
    +-- PodLinesError            1   a text pod's lines are of no use; another try would not help
    +-- StoreError               1   the database file
    +-- MeasurementRefused       3   the readings do not support a result

Each carries what happened, the likely cause and the next step; the command line prints
these three and never a traceback.
"""

from __future__ import annotations

from typing import ClassVar


class KnuckleError(Exception):
    """An error that the user can understand and act upon.

    Parameters
    ----------
    what : str
        What happened, one sentence.
    cause : str, optional
        The likely cause.
    next_step : str, optional
        What to do next.
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, what: str, cause: str = "", next_step: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.cause = cause
        self.next_step = next_step

    def __str__(self) -> str:
        return " ".join(part for part in (self.what, self.cause, self.next_step) if part)


class UsageError(KnuckleError):
    """What was typed or asked for cannot be done."""

    exit_code = 2


class RecordingError(KnuckleError):
    """A recording cannot be read."""


class LinkError(KnuckleError):
    """The way to a pod failed."""


class LinkNotFound(LinkError):
    """There is no such port, pod or file."""


class LinkBusy(LinkError):
    """Another program holds the port."""


class LinkPermission(LinkError):
    """The system does not permit opening the port."""


class LinkUnavailable(LinkError):
    """This computer has no such way to a pod now: no adapter, switched off, system too old."""


class LinkWrongDevice(LinkError):
    """Something is connected, but it does not speak as a pod."""


class LinkLost(LinkError):
    """The link was open and is gone."""


class LinkTimeout(LinkError):
    """Nothing came, or a write did not finish, in the time allowed."""


class PodError(KnuckleError):
    """The pod answered with an error."""


class PodLinesError(KnuckleError):
    """The lines of a text pod are of no use, and another try would not help."""


class StoreError(KnuckleError):
    """The database file cannot be used."""


class MeasurementRefused(KnuckleError):
    """The readings do not support a result.

    Parameters
    ----------
    code : str
        One of the codes of docs/results.md.
    """

    exit_code = 3

    def __init__(self, code: str, what: str, cause: str = "", next_step: str = "") -> None:
        super().__init__(what, cause, next_step)
        self.code = code
