"""A simulated pod as a link: time goes on by what is read, at any speed."""

from __future__ import annotations

from collections.abc import AsyncGenerator, Sequence
from datetime import datetime
from types import TracebackType
from typing import Any, Final, Protocol, Self

from knuckle.errors import LinkError, LinkLost, LinkNotFound
from knuckle.links.address import Address, OptionReader, choice, read_options, speed, whole_number
from knuckle.links.clocks import DrivenClock
from knuckle.links.contract import Chunk, Clock, Link
from knuckle.links.pipes import Pipe, open_pipe
from knuckle.model.wheel import Wheel

STEP_S: Final = 0.02
"""Simulated time from one chunk to the next."""
DEFAULT_SCENARIO: Final = "garage"


class Pod(Protocol):
    """What a simulated device offers; it does no input or output and knows no clock."""

    @property
    def finished(self) -> bool:
        """Whether the script is over."""
        ...

    @property
    def connected(self) -> bool:
        """Whether the link carries anything at this moment; False while it is cut."""
        ...

    def advance(self, to_s: float) -> bytes:
        """Return what the pod transmits up to a moment of the simulated world."""
        ...

    def receive(self, data: bytes) -> None:
        """Take bytes from the host."""
        ...

    def typed(self) -> tuple[str, ...]:
        """Return what its person types when asked for a reading now, try by try."""
        ...


class SimLink:
    """A simulated pod, in step with its reader.

    Each chunk read moves the simulated world on by `STEP_S`; nothing happens in between, so
    a run is the same each time, however slow or fast the program is.

    Parameters
    ----------
    pod : Pod
        The device.
    scenario, seed : str, int
        What made it: part of the description, so that any run can be repeated.
    speed : float
        0 as fast as possible, 1 in real time.
    transport : str
        ``pty``, ``memory``, or ``auto`` for a pseudo-terminal where the system has them.
    start_utc : datetime, optional
        The date and time at which the simulated world starts; now if not given.
    address, title : str
        The address that repeats this run, and what it is in words; made from scenario and
        seed if not given.
    """

    reconnects = True
    what = "simulated pod"

    def __init__(
        self,
        pod: Pod,
        *,
        scenario: str,
        seed: int,
        speed: float = 0.0,
        transport: str = "auto",
        start_utc: datetime | None = None,
        address: str = "",
        title: str = "",
    ) -> None:
        self.scenario = scenario
        self.seed = seed
        self.address = address or f"sim:{scenario}?seed={seed}"
        self._title = title or f"scenario {scenario}, seed {seed}"
        self.pod = pod
        self._drive = DrivenClock(start_utc, speed)
        self.clock: Clock = self._drive
        self._transport = transport
        self._pipe: Pipe | None = None

    @classmethod
    def from_address(
        cls, address: Address, *, wheel: Wheel | None, purpose: str, **options: Any
    ) -> SimLink:
        """Return the link for ``sim:SCENARIO?seed=7&speed=1&faults=knocks,slip``.

        Any key of the scenario may be given by its dotted name, ``car.LF.caster_deg=4``.

        Raises
        ------
        UsageError
            If an option is unknown or cannot be read, or there is no such scenario.
        """
        changes = {name: typed for name, typed in address.options.items() if "." in name}
        own = Address(
            address.scheme,
            address.place or DEFAULT_SCENARIO,
            {name: typed for name, typed in address.options.items() if name not in changes},
        )
        readers: dict[str, OptionReader] = {
            "seed": whole_number,
            "faults": str,
            "speed": speed,
            "transport": choice("auto", "pty", "memory"),
        }
        values = read_options(own, readers, options, frozenset({"start_utc"}))
        from knuckle.sim.pod import SimulatedPod
        from knuckle.sim.scenario import load

        faults = values.pop("faults", None)
        scenario = load(
            own.place,
            purpose=purpose,
            wheel=wheel.value if wheel is not None else None,
            seed=values.pop("seed", None),
            faults=faults,
            **changes,
        )
        again = {"seed": str(scenario.seed), **({"faults": faults} if faults else {}), **changes}
        return cls(
            SimulatedPod(scenario, scenario.seed),
            scenario=scenario.name,
            seed=scenario.seed,
            address=str(Address("sim", own.place, again)),
            title=scenario.line(scenario.seed),
            **values,
        )

    async def __aenter__(self) -> Self:
        now_s = self.clock.now_s()
        if now_s > 0.0:
            self.pod.advance(now_s)  # what it transmitted while nobody listened is lost
        if not self.pod.connected and not self.pod.finished:
            raise LinkNotFound(
                f"The {self.what} is out of reach.",
                "The scenario has cut the link.",
                "Wait: it comes back when the scenario says so.",
            )
        try:
            self._pipe = open_pipe(self._transport)
        except OSError as error:
            raise LinkNotFound(
                f"There is no pseudo-terminal for the {self.what}.",
                f"The system says: {error}.",
                "Put transport=memory into the address.",
            ) from error
        self._drive.driven = True
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._drive.hand_over()
        if self._pipe is not None:
            self._pipe.close()
            self._pipe = None

    async def chunks(self) -> AsyncGenerator[Chunk, None]:
        """Yield what the pod transmits in each step, until its script is over.

        Raises
        ------
        LinkLost
            While the scenario has cut the link.
        """
        while not self.pod.finished:
            pipe = self._open_pipe()
            to_s = round(self.clock.now_s() / STEP_S + 1.0) * STEP_S
            await self._drive.pass_time(to_s)
            data = self.pod.advance(to_s)
            if not self.pod.connected:
                raise self._cut()
            yield Chunk(to_s, pipe.to_host(data))

    async def write(self, data: bytes) -> None:
        """Hand bytes to the pod.

        Raises
        ------
        LinkLost
            While the scenario has cut the link.
        """
        pipe = self._open_pipe()
        if not self.pod.connected:
            raise self._cut()
        self.pod.receive(pipe.to_pod(data))

    def typed(self) -> tuple[str, ...]:
        """Return what the simulated person types when asked now, try by try."""
        return self.pod.typed()

    def pass_over(self) -> None:
        """Do nothing: there is only one simulated pod here."""

    def start_at(self, utc: datetime) -> None:
        """Let the simulated world start at a date and time; before it is opened."""
        self._drive.start_at(utc)

    def description(self) -> str:
        """Return scenario and seed."""
        return f"{self.what}, {self._title}"

    def _open_pipe(self) -> Pipe:
        if self._pipe is None:
            raise self._cut()
        return self._pipe

    def _cut(self) -> LinkError:
        return LinkLost(
            f"The connection to the {self.what} is gone.",
            "The scenario has cut the link, or it was closed.",
            "Wait: the program goes on by itself when it is back.",
        )


def on_one_car(links: Sequence[Link]) -> None:
    """Let simulated pods be on one car, with one person and one time; others stay as they are.

    Raises
    ------
    UsageError
        If they are not of one scenario, seed and car, or two are on one wheel.
    """
    simulated = [link for link in links if isinstance(link, SimLink)]
    if len(simulated) < 2:
        return
    from knuckle.sim.world import PodOnCar
    from knuckle.sim.world import on_one_car as joined

    joined([link.pod for link in simulated if isinstance(link.pod, PodOnCar)])
    zero = simulated[0].clock.utc(0.0)
    for link in simulated:
        link.start_at(zero)
