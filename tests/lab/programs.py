"""Whole commands on the emulated board over Bluetooth, disturbed on the way."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Final, NamedTuple

from lab.rig import NAME, Rig
from lab.verdicts import Verdicts

KNUCKLE: Final = (sys.executable, "-m", "knuckle")
LONGEST_S: Final = 300.0
STREAMS: Final = 3000
"""Bytes to the air by which a run streams for sure."""
DISTURBED_AT_S: Final = 8.0
MENDED_AFTER_S: Final = 6.0


class Disturbance(NamedTuple):
    """What goes wrong in the middle of a run, and how it is put right."""

    words: str
    begin: Callable[[Rig], Awaitable[None]] | None
    end: Callable[[Rig], Awaitable[None]] | None


DISTURBANCES: Final = (
    Disturbance("undisturbed", None, None),
    Disturbance("the module ends the connection", lambda at: at.drop(), None),
    Disturbance(
        "out of reach for a while", lambda rig: rig.away(True), lambda rig: rig.away(False)
    ),
    Disturbance("bluetoothd killed", lambda rig: rig.kill_daemon(), lambda rig: rig.start_daemon()),
    Disturbance("adapter off", lambda rig: rig.power(False), lambda rig: rig.power(True)),
)


def pods(rig: Rig, verdicts: Verdicts, folder: Path) -> None:
    """`knuckle pods` lists the pod."""
    done = subprocess.run(
        [*KNUCKLE, "pods"], env=_environment(folder), capture_output=True, text=True, check=False
    )
    verdicts.judge(done.returncode == 0 and NAME in done.stdout, "knuckle pods lists the pod:")
    for line in (done.stdout + done.stderr).splitlines():
        verdicts.tell(line)


async def sweep(rig: Rig, disturbance: Disturbance, verdicts: Verdicts, folder: Path) -> None:
    """`knuckle sweep` finds the truth."""
    words = ["sweep", "--pod", f"ble:{NAME}", "--wheel", "LF", "--driver", "out", "--json"]
    begun_s, files = time.monotonic(), list[int]()
    out, told = folder / "out", folder / "told"
    with out.open("wb") as out_file, told.open("wb") as told_file:
        process = await asyncio.create_subprocess_exec(
            *KNUCKLE, *words, env=_environment(folder), stdout=out_file, stderr=told_file
        )
    before = await rig.counts()
    disturbing = asyncio.create_task(_disturb(rig, disturbance, before["to_air"]))
    try:
        while process.returncode is None and time.monotonic() - begun_s < LONGEST_S:
            await asyncio.sleep(0.5)
            files.append(_files_of(process.pid))
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()
        disturbing.cancel()
        await asyncio.gather(disturbing, return_exceptions=True)
    if disturbance.end is not None and not disturbing.cancelled() and disturbing.exception():
        verdicts.judge(False, f"the lab: {disturbing.exception()}")
    counts = await rig.counts()
    verdicts.tell(
        f"sweep, {disturbance.words}: {time.monotonic() - begun_s:.0f} s, exit code "
        f"{process.returncode}, {counts['connections'] - before['connections']} connection(s), "
        f"{counts['to_air'] - before['to_air']} bytes, module lost {counts['lost']}"
    )
    _judge(rig, disturbance, out.read_text(), told.read_text(), files, verdicts)


def _judge(
    rig: Rig, disturbance: Disturbance, out: str, told: str, files: list[int], verdicts: Verdicts
) -> None:
    try:
        results = json.loads(out)["results"]
    except (ValueError, KeyError):
        verdicts.judge(False, f"sweep, {disturbance.words}: no result")
        for line in told.splitlines()[-12:]:
            verdicts.tell(line)
        return
    for name, truth in rig.truth.items():
        value, wide = results[name]["value"], results[name]["expanded_uncertainty"]
        verdicts.judge(
            abs(value - truth) <= wide,
            f"{name} {value:.2f} ± {wide:.2f} deg, truth {truth:.2f}",
        )
    held = [count for count in files if count]
    middle = held[len(held) // 5 : len(held) // 4]
    verdicts.judge(
        max(held[-4:-1]) <= max(middle),
        f"files open while it ran: {max(middle)} before, {max(held[-4:-1])} at the end",
    )
    if disturbance.begin is not None:
        lost = [line for line in told.splitlines() if "Link lost" in line]
        back = [line for line in told.splitlines() if "The pod is back" in line]
        verdicts.judge(bool(lost and back), "the operator is told:")
        for line in lost[:1] + back:
            verdicts.tell(f"  {line}")


async def _disturb(rig: Rig, disturbance: Disturbance, at_start: int) -> None:
    if disturbance.begin is None:
        return
    while (await rig.counts())["to_air"] - at_start < STREAMS:
        await asyncio.sleep(0.5)
    await asyncio.sleep(DISTURBED_AT_S)
    await disturbance.begin(rig)
    if disturbance.end is not None:
        await asyncio.sleep(MENDED_AFTER_S)
        await disturbance.end(rig)


def _environment(folder: Path) -> dict[str, str]:
    homes = {f"XDG_{name}_HOME": str(folder / name) for name in ("DATA", "CONFIG", "STATE")}
    path = Path(__file__).resolve().parents[2] / "host"
    return os.environ | homes | {"PYTHONPATH": str(path), "COLUMNS": "80"}


def _files_of(process: int) -> int:
    try:
        return len(list(Path(f"/proc/{process}/fd").iterdir()))
    except OSError:
        return 0
