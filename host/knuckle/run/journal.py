"""What happens in a run, for the log file."""

from __future__ import annotations

import logging
from typing import Final

from knuckle.run.events import (
    CommandFailed,
    Ended,
    LinkDown,
    LinkUp,
    PodReport,
    PodRestarted,
    PodSeen,
    RateFitted,
    RestEnded,
    RestReady,
    RestWithdrawn,
    RunEvent,
)
from knuckle.wire.messages import Fault

LOGGER: Final = logging.getLogger("knuckle.run")


def note(event: RunEvent) -> None:
    """Write an event to the log; samples, states and figures of health are not events there."""
    name = event.wheel.value
    match event:
        case PodSeen(hello=hello, identity=identity, again=again):
            kind = "text pod" if hello is None else f"{hello.hardware} {hello.name!r}"
            state = "seen again" if again else "seen"
            LOGGER.info("%s: pod %s: %s, identity %s", name, state, kind, identity.hex())
        case LinkDown(reason=reason):
            LOGGER.warning("%s: link lost: %s", name, reason)
        case LinkUp(gap_s=gap_s):
            LOGGER.info("%s: link back after %.1f s", name, gap_s)
        case PodRestarted(cause=cause):
            LOGGER.warning("%s: pod restarted: %s", name, cause.name)
        case RateFitted(bytes_per_s=bytes_per_s, averaging=averaging, applied=applied):
            state = "set" if applied else "advised"
            LOGGER.warning(
                "%s: link carries %.0f bytes/s, averaging %d %s",
                name,
                bytes_per_s,
                averaging,
                state,
            )
        case RestReady(t_s=t_s, rest=rest):
            LOGGER.info("%s: rest since %.2f s ready at %.2f s", name, rest.start_s, t_s)
        case RestEnded(rest=rest):
            LOGGER.info("%s: rest from %.2f to %.2f s", name, rest.start_s, rest.end_s)
        case RestWithdrawn(start_s=start_s, end_s=end_s, why=why):
            LOGGER.info("%s: no rest from %.2f to %.2f s: %s", name, start_s, end_s, why)
        case CommandFailed(command=command, reason=reason):
            LOGGER.warning("%s: command %s failed: %s", name, command.name, reason)
        case PodReport(message=Fault() as fault):
            state = "came" if fault.present else "went"
            LOGGER.warning("%s: fault %d, channel %d: %s", name, fault.code, fault.channel, state)
        case Ended(error=error):
            LOGGER.info("%s: run ended: %s", name, "in order" if error is None else error)
