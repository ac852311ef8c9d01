"""The records of a box as they arrive, for one reader."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable

from barbox import proto
from barbox.records import Event, Status


class Stream:
    """The records of one subscription: `async for record in stream`, or `await stream.next(timeout_s)`.

    Ends when closed; raises BoxError when the link is lost or the box falls silent, after what had arrived.
    `dropped` counts the records that found no room. Made by `Client.subscribe`.
    """

    def __init__(
        self, room: int, patience_s: Callable[[], float | None], unsubscribe: Callable[[Stream], None]
    ) -> None:
        self.dropped = 0
        self._bodies: deque[bytes] = deque(maxlen=room)
        self._patience_s = patience_s
        self._unsubscribe = unsubscribe
        self._closed = False
        self._waiter: asyncio.Future[None] | None = None

    def __aiter__(self) -> Stream:
        return self

    async def __anext__(self) -> Status | Event:
        record = await self.next()
        if record is None:
            raise StopAsyncIteration
        return record

    async def next(self, timeout_s: float | None = None) -> Status | Event | None:
        """The next record; None when `timeout_s` passes first or the stream is closed. Raises BoxError."""
        body = await self.next_body(timeout_s)
        return None if body is None else proto.unpack(body)

    async def next_body(self, timeout_s: float | None = None) -> bytes | None:
        """Like `next`, but the packed record: the bytes that a ride file keeps."""
        loop = asyncio.get_running_loop()
        end_s = None if timeout_s is None else loop.time() + timeout_s
        while not self._bodies:
            if self._closed:
                return None
            wait_s = self._patience_s()
            if end_s is not None:
                left_s = end_s - loop.time()
                if left_s <= 0:
                    return None
                wait_s = left_s if wait_s is None else min(left_s, wait_s)
            self._waiter = loop.create_future()
            await asyncio.wait({self._waiter}, timeout=wait_s)
        return self._bodies.popleft()

    def take_bodies(self) -> list[bytes]:
        """All packed records that have arrived, without waiting."""
        bodies = list(self._bodies)
        self._bodies.clear()
        return bodies

    def take(self) -> list[Status | Event]:
        """All records that have arrived, without waiting."""
        return [proto.unpack(body) for body in self.take_bodies()]

    def close(self) -> None:
        """End the subscription; what has arrived can still be read."""
        if not self._closed:
            self._closed = True
            self._unsubscribe(self)
            self.wake()

    def offer(self, body: bytes) -> None:
        """For the client: one more record."""
        if len(self._bodies) == self._bodies.maxlen:
            self.dropped += 1
        self._bodies.append(body)
        self.wake()

    def wake(self) -> None:
        """For the client: let the reader look again."""
        if self._waiter and not self._waiter.done():
            self._waiter.set_result(None)
