"""The pod over Bluetooth on the real kernel, bluetoothd and client library: the lab run.

::

    python tests/lab/bluetooth.py [--cycles 100] [--only PART ...] [--record]

See tests/lab/README.md. Exit code 1 if anything is not as it must be.
"""

from __future__ import annotations

import argparse
import asyncio
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS), str(TESTS.parent / "host")]

from lab import cycles, programs
from lab.image import LabError
from lab.monitor import Monitor
from lab.rig import NAME, Rig
from lab.stages import all_stages, write_traces
from lab.verdicts import Verdicts

DEMO = "avr:demo"
TEXTS = "module", 23
BINARY = "uart", 247


def main() -> int:
    """Run the parts asked for; return the exit code."""
    parts: dict[str, Callable[[Verdicts, argparse.Namespace, Path], None]] = {
        "cycles": _cycles,
        "sweeps": _sweeps,
        "uart": _uart,
    }
    parser = argparse.ArgumentParser()
    parser.add_argument("--cycles", type=int, default=100)
    parser.add_argument("--only", nargs="+", choices=parts, default=list(parts))
    parser.add_argument("--record", action="store_true", help="record tests/lab/trace anew")
    given = parser.parse_args()
    verdicts = Verdicts()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # else the machine would go on alone
    try:
        if given.record:
            with Rig() as rig:
                write_traces(asyncio.run(_record(rig)))
            return 0
        with tempfile.TemporaryDirectory(prefix="knuckle-lab-") as folder:
            for name in given.only:
                begun_s = time.monotonic()
                parts[name](verdicts, given, Path(folder))
                print(f"   {name}: {time.monotonic() - begun_s:.0f} s", flush=True)
    except LabError as error:
        print(f"The lab cannot go on: {error}")
        return 1
    return verdicts.close()


async def _record(rig: Rig) -> dict[str, list[str]]:
    async with Monitor(rig.machine.bus) as monitor:
        return await all_stages(monitor, rig, NAME)


def _cycles(verdicts: Verdicts, given: argparse.Namespace, _folder: Path) -> None:
    """Connect and drop, kill the daemon, switch and unplug the adapter: nothing leaks."""
    with Rig(address=DEMO) as rig:
        verdicts.tell(f"machine up in {rig.machine.boot_s:.1f} s, module 0xFFE0, 20-byte pieces")
        asyncio.run(cycles.all_cycles(rig, given.cycles, verdicts))


def _sweeps(verdicts: Verdicts, given: argparse.Namespace, folder: Path) -> None:
    """Whole sweeps over the module; one undisturbed, the others disturbed in the middle."""
    service, mtu = TEXTS
    with Rig(service=service, mtu=mtu, address=DEMO) as rig:
        programs.pods(rig, verdicts, folder)
        for disturbance in programs.DISTURBANCES:
            asyncio.run(programs.sweep(rig, disturbance, verdicts, folder))
            rig.new_board()


def _uart(verdicts: Verdicts, given: argparse.Namespace, folder: Path) -> None:
    """A sweep over the UART service with large packets."""
    service, mtu = BINARY
    with Rig(service=service, mtu=mtu, address=DEMO) as rig:
        asyncio.run(programs.sweep(rig, programs.DISTURBANCES[0], verdicts, folder))


if __name__ == "__main__":
    sys.exit(main())
