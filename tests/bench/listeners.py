"""Screens that only listen: ``python -m tests.bench.listeners PORT NUMBER TOKEN`` reads so many live streams until its input ends."""

from __future__ import annotations

import asyncio
import sys


async def listen(port: int, token: str, ready: asyncio.Event) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    head = f"GET /api/v1/stream HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {token}\r\n"
    writer.write(f"{head}Accept: text/event-stream\r\n\r\n".encode())
    await reader.readuntil(b"event: saw")
    ready.set()
    while await reader.read(65536):
        pass
    raise ConnectionError("the server ended a stream")


async def main(port: int, number: int, token: str) -> None:
    ready = [asyncio.Event() for _ in range(number)]
    listening = [asyncio.create_task(listen(port, token, event)) for event in ready]
    waiting = asyncio.gather(*(event.wait() for event in ready))
    await asyncio.wait([waiting, *listening], return_when=asyncio.FIRST_COMPLETED)
    for task in listening:
        if task.done():
            task.result()
    print("listening", flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    lost = sum(task.done() for task in listening)
    print(f"lost {lost}", flush=True)
    for task in listening:
        task.cancel()


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3]))
