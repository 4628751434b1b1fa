"""A run in a process of its own, to be interrupted from outside: see test_interrupting.py."""

from __future__ import annotations

import asyncio
import sys

from knuckle.links.schemes import open_link
from knuckle.model.wheel import Wheel
from knuckle.run.loop import RunLoop
from knuckle.store.capture import CapturedStream, CaptureWriter


async def main(path: str, address: str) -> None:
    writer = CaptureWriter(path, [CapturedStream("LF", address)])
    link = open_link(address, wheel=Wheel.LF, purpose="sweep")
    loop = RunLoop({Wheel.LF: link}, raw_sink=writer.write, keep_samples=True)
    try:
        async with loop:
            async for event in loop.events():
                print(type(event).__name__, flush=True)
    finally:
        writer.close()
        block = loop.block(Wheel.LF)
        print("kept", 0 if block is None else len(block), flush=True)


if __name__ == "__main__":
    try:
        asyncio.run(main(sys.argv[1], sys.argv[2]))
    except KeyboardInterrupt:
        sys.exit(130)
