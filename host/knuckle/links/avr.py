"""The emulated board as a link: the shipped program on a simulated car, in step with its reader."""

from __future__ import annotations

from types import TracebackType
from typing import Any, Protocol, Self, runtime_checkable

from knuckle.links.address import (
    Address,
    OptionReader,
    choice,
    read_options,
    speed,
    whole_number,
)
from knuckle.links.sim import DEFAULT_SCENARIO, SimLink
from knuckle.model.wheel import Wheel


@runtime_checkable
class Started(Protocol):
    """A pod that is a process of its own."""

    @property
    def ended(self) -> bool:
        """Whether its process is gone for good."""
        ...

    def open(self) -> object:
        """Start it; harmless if it runs."""
        ...

    def close(self) -> None:
        """End it for good."""
        ...


class AvrLink(SimLink):
    """A pod in the emulator; parameters as for `SimLink`.

    Its process starts on entering, outlives a lost link, and ends with the script or the program.
    """

    what = "emulated board"

    @classmethod
    def from_address(
        cls, address: Address, *, wheel: Wheel | None, purpose: str, **options: Any
    ) -> AvrLink:
        """Return the link for ``avr:SCENARIO?seed=7&speed=1&sensor=both&baud=9600``.

        Any key of the scenario may be given by its dotted name, ``car.LF.caster_deg=4``.

        Raises
        ------
        UsageError
            If an option is unknown or cannot be read, there is no such scenario, or the
            emulated pod cannot show one of its faults.
        """
        from knuckle.bench.pod import ADXL355_KEYS, SENSORS, EmulatedPod
        from knuckle.sim.scenario import load

        changes: dict[str, Any] = {k: v for k, v in address.options.items() if "." in k}
        typed = {name: value for name, value in address.options.items() if name not in changes}
        own = Address(address.scheme, address.place or DEFAULT_SCENARIO, typed)
        readers: dict[str, OptionReader] = {
            "seed": whole_number,
            "faults": str,
            "speed": speed,
            "transport": choice("auto", "pty", "memory"),
            "sensor": choice(*SENSORS),
            "baud": choice("9600", "19200", "38400", "57600", "115200"),  # the firmware's
            "elf": str,
            "bench": str,
        }
        values = read_options(own, readers, options, frozenset({"start_utc"}))
        sensor = values.pop("sensor", "mpu6050")
        implied: dict[str, Any] = {} if sensor == "mpu6050" else dict(ADXL355_KEYS)
        if sensor == "adxl355":
            implied["pod.gyro"] = False
        if "baud" in values:
            implied["pod.baud"] = int(values.pop("baud"))
        scenario = load(
            own.place,
            purpose=purpose,
            wheel=wheel.value if wheel is not None else None,
            seed=values.pop("seed", None),
            faults=values.pop("faults", None),
            **(implied | changes),
        )
        pod = EmulatedPod(
            scenario,
            scenario.seed,
            sensor=sensor,
            bench=values.pop("bench", None),
            elf=values.pop("elf", None),
        )
        kept = {k: v for k, v in address.options.items() if k not in ("seed", "speed", "transport")}
        again = {"seed": str(scenario.seed), **kept}
        return cls(
            pod,
            scenario=scenario.name,
            seed=scenario.seed,
            address=str(Address("avr", own.place, again)),
            title=scenario.line(scenario.seed),
            **values,
        )

    async def __aenter__(self) -> Self:
        if isinstance(self.pod, Started):
            self.pod.open()
        return await super().__aenter__()

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await super().__aexit__(kind, error, trace)
        if isinstance(self.pod, Started) and self.pod.ended:
            self.reconnects = False  # a new process would be another car at another moment
        if self.pod.finished and isinstance(self.pod, Started):
            self.pod.close()
