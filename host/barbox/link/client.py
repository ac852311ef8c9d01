"""The client of a box, over any link: requests with retry, and the stream of status and event records."""

from __future__ import annotations

import asyncio
import os
from collections import deque
from typing import Any, final

from barbox import proto
from barbox.errors import BoxError
from barbox.link.base import Link
from barbox.records import Event, Identity, Status
from shared_proto import frames, messages, settings, states
from shared_proto.messages import Message

UPDATE = "install the firmware that comes with this program"


class Refused(BoxError):
    """The box answered that it did not carry out a request. `reason` is a row of `states.REFUSALS`."""

    def __init__(self, request: str, reason: int) -> None:
        super().__init__(f"the box refused {request}: {states.words(states.REFUSALS, reason)}")
        self.reason = reason


@final
class Client:
    """One box. Use as `async with Client(link) as client`, or call `open` and `close`.

    link          not yet open
    timeout_s     how long one try of a request waits for its answer
    tries         how often a request is sent before the box counts as silent
    silence_s     without any frame for this long, a reader of the stream is told that the box stopped
                  answering; None waits for ever (a simulated box whose time stands still)
    first_number  number of the first request, 1..65535; by default drawn at random, so that the box does not
                  take the first request of a session for a retry of the session before

    Counters: `missed` (records that the running number shows were lost), `restarts` (times the running number
    began anew), `unknown` (messages of a newer version), `malformed` (good frames with a body too short),
    `strays` (answers that nobody waits for), `bad_frames`, and `link.bytes_received`.
    """

    def __init__(
        self,
        link: Link,
        *,
        timeout_s: float = 0.5,
        tries: int = 3,
        silence_s: float | None = 2.0,
        first_number: int | None = None,
    ) -> None:
        self.link = link
        self.timeout_s = timeout_s
        self.tries = tries
        self.silence_s = silence_s
        self.missed = 0
        self.restarts = 0
        self.unknown = 0
        self.malformed = 0
        self.strays = 0
        self.lost: BoxError | None = None
        self._identity: Identity | None = None
        self._decoder = frames.Decoder()
        self._next = first_number or 1 + int.from_bytes(os.urandom(2), "little") % 0xFFFF
        self._last: int | None = None  # running number of the latest status or event
        self._heard_s = 0.0
        self._waiting: tuple[int, asyncio.Future[bytes]] | None = None
        self._one_at_a_time = asyncio.Lock()
        self._streams: list[Stream] = []
        link.on_data = self._data
        link.on_lost = self._on_lost

    @property
    def identity(self) -> Identity:
        """What the box said of itself at `open`. Raises BoxError before that."""
        if self._identity is None:
            raise BoxError("the box has not been opened")
        return self._identity

    @property
    def bad_frames(self) -> int:
        """Frames dropped: CRC, escape or length wrong."""
        return self._decoder.bad + self._decoder.oversized

    @property
    def good_frames(self) -> int:
        """Frames understood, of any kind; 0 on a port that leads to something else."""
        return self._decoder.good

    async def open(self) -> Identity:
        """Open the link and say hello. Raises BoxError: link, silence, or another protocol version."""
        await self.link.open()
        try:
            self._identity = await self._hello()
        except BaseException:
            await self.link.close()
            raise
        return self._identity

    async def close(self) -> None:
        """Close the link; streams end without an error."""
        await self.link.close()
        for stream in list(self._streams):
            stream.close()

    async def __aenter__(self) -> Client:
        await self.open()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    async def request(
        self, message: Message, *values: Any, timeout_s: float | None = None, tries: int | None = None
    ) -> Any:
        """Send a request and return the record of its answer (`Done`, `Identity`, `Setting`).

        One value a field. Every try carries the same number, by which the box knows a retry and repeats its
        answer instead of doing the work twice. Raises Refused, or BoxError when no answer comes.
        """
        body = await self._ask(message, values, timeout_s, tries)
        try:
            answer = proto.unpack(body)
        except ValueError as error:
            raise BoxError(f"the box's answer to {message.name} is too short; {UPDATE}") from error
        if body[0] == messages.REFUSED.kind:
            raise Refused(message.name, answer.reason)
        return answer

    async def get_setting(self, row: int, index: int = 0) -> Any:
        """Value of one setting: int, tuple of int, or bytes. `row` is a number of `settings.ROWS`."""
        self._same_table()
        answer = await self.request(messages.SETTING_GET, row, index)
        try:
            return settings.SETTINGS[row].unpack(answer.value)
        except ValueError as error:
            raise BoxError(f"the box's value of {settings.SETTINGS[row].name} is unfit: {error}") from error

    async def put_setting(self, row: int, index: int, value: Any) -> None:
        """Put one setting into the box's RAM. Raises ValueError for a value outside its limits, Refused."""
        self._same_table()
        await self.request(messages.SETTING_PUT, row, index, settings.SETTINGS[row].pack(value))

    async def commit(self) -> None:
        """Write what was put to flash and put it in force. Raises Refused."""
        await self.request(messages.SETTING_COMMIT)

    async def drop(self) -> None:
        """Forget what was put and not committed."""
        await self.request(messages.SETTING_DROP)

    async def set_time(self, unix_s: int) -> None:
        """Tell the box the wall clock, in seconds since 1970-01-01 UTC."""
        await self.request(messages.TIME_SET, unix_s)

    def subscribe(self, room: int = 1024) -> Stream:
        """Status and event records from now on, in order; at most `room` wait, then the oldest are dropped."""
        stream = Stream(self, room)
        self._streams.append(stream)
        return stream

    def silent_for_s(self) -> float:
        """Time since the last good frame, or since `open`."""
        return asyncio.get_running_loop().time() - self._heard_s

    async def _hello(self) -> Identity:
        self._heard_s = asyncio.get_running_loop().time()
        ours = f"{messages.MAJOR}.{messages.MINOR}"
        body = await self._ask(messages.HELLO, (messages.MAJOR, messages.MINOR), None, None)
        kind = body[0]
        # The version comes first in every identity, whatever follows it in another major version.
        if kind == messages.IDENTITY.kind and len(body) >= 5 and body[3] != messages.MAJOR:
            raise BoxError(
                f"{self.link.url}: the box speaks protocol version {body[3]}.{body[4]} and this program {ours}; {UPDATE}"
            )
        if kind == messages.REFUSED.kind:
            reason = proto.unpack(body).reason
            if reason == states.REFUSE_VERSION:
                raise BoxError(
                    f"{self.link.url}: the box does not speak this program's protocol version {ours}; {UPDATE}"
                )
            raise Refused("hello", reason)
        if kind != messages.IDENTITY.kind or len(body) < messages.IDENTITY.size:
            raise BoxError(f"{self.link.url}: the box's answer to hello makes no sense; {UPDATE}")
        return proto.unpack(body)

    async def _ask(
        self, message: Message, values: tuple[Any, ...], timeout_s: float | None, tries: int | None
    ) -> bytes:
        async with self._one_at_a_time:
            number = self._next
            self._next = number % 0xFFFF + 1
            return await self._exchange(number, proto.pack(message, number, *values), timeout_s, tries)

    async def _exchange(self, number: int, body: bytes, timeout_s: float | None, tries: int | None) -> bytes:
        frame = frames.encode(body)
        answer: asyncio.Future[bytes] = asyncio.get_running_loop().create_future()
        self._waiting = (number, answer)
        timeout_s = self.timeout_s if timeout_s is None else timeout_s
        tries = self.tries if tries is None else tries
        try:
            for _ in range(tries):
                if self.lost:
                    raise self.lost
                await self.link.write(frame)
                # Not wait_for: an answer that arrives together with the time-out must count.
                await asyncio.wait({answer}, timeout=timeout_s)
                if answer.done():
                    return answer.result()
        finally:
            self._waiting = None
            answer.cancel()
        raise self._no_answer(tries * timeout_s)

    def _no_answer(self, waited_s: float) -> BoxError:
        url = self.link.url
        if self._identity is not None:
            return BoxError(f"{url}: the box stopped answering ({waited_s:.1f} s)")
        if self._decoder.good:
            return BoxError(f"{url}: the box sends but does not answer; restart it")
        if self.link.bytes_received:
            return BoxError(f"{url}: something else is on this port, it sends no frame of a box")
        return BoxError(f"{url}: nothing answers on this port ({waited_s:.1f} s)")

    def _same_table(self) -> None:
        if self.identity.settings_crc != settings.TABLE_CRC:
            raise BoxError(f"{self.link.url}: the box's settings table is not this program's; {UPDATE}")

    def _on_lost(self, error: BoxError) -> None:
        self.lost = error
        if self._waiting and not self._waiting[1].done():
            self._waiting[1].set_exception(error)
        for stream in self._streams:
            stream.wake()

    def _data(self, data: bytes) -> None:
        for body in self._decoder.feed(data):
            self._body(body)

    def _body(self, body: bytes) -> None:
        self._heard_s = asyncio.get_running_loop().time()
        kind, number = messages.head(body)
        if kind == messages.STATUS.kind or kind == messages.EVENT.kind:
            self._count(number)
            try:
                record = proto.unpack(body)
            except ValueError:
                self.malformed += 1
                return
            for stream in self._streams:
                stream.offer(record)
        elif kind in messages.BY_KIND:
            if self._waiting and self._waiting[0] == number and not self._waiting[1].done():
                self._waiting[1].set_result(body)
            else:
                self.strays += 1
        else:
            self.unknown += 1

    def _count(self, number: int) -> None:
        if self._last is not None:
            step = (number - self._last) & 0xFFFF
            if 0 < step < 0x8000:
                self.missed += step - 1
            else:
                self.restarts += 1
        self._last = number


class Stream:
    """The records of one subscription: `async for record in stream`, or `await stream.next(timeout_s)`.

    Ends when closed; raises BoxError when the link is lost or the box falls silent, after what had arrived.
    `dropped` counts the records that found no room.
    """

    def __init__(self, client: Client, room: int) -> None:
        self.dropped = 0
        self._client = client
        self._queue: deque[Status | Event] = deque(maxlen=room)
        self._closed = False
        self._waiter: asyncio.Future[None] | None = None

    def __aiter__(self) -> Stream:
        return self

    async def __anext__(self) -> Status | Event:
        record = await self.next()
        assert record is not None
        return record

    async def next(self, timeout_s: float | None = None) -> Status | Event | None:
        """The next record; None when `timeout_s` passes first. Raises StopAsyncIteration, BoxError."""
        loop = asyncio.get_running_loop()
        end_s = None if timeout_s is None else loop.time() + timeout_s
        while not self._queue:
            if self._closed:
                raise StopAsyncIteration
            client = self._client
            if client.lost:
                raise client.lost
            left = [] if end_s is None else [end_s - loop.time()]
            if client.silence_s is not None:
                left.append(client.silence_s - client.silent_for_s())
                if left[-1] <= 0:
                    raise BoxError(f"{client.link.url}: the box stopped answering ({client.silence_s:.1f} s)")
            if end_s is not None and left[0] <= 0:
                return None
            self._waiter = loop.create_future()
            await asyncio.wait({self._waiter}, timeout=min(left) if left else None)
        return self._queue.popleft()

    def take(self) -> list[Status | Event]:
        """All records that wait, without waiting."""
        records = list(self._queue)
        self._queue.clear()
        return records

    def close(self) -> None:
        """End the subscription."""
        self._closed = True
        if self in self._client._streams:
            self._client._streams.remove(self)
        self.wake()

    def offer(self, record: Status | Event) -> None:
        """For the client: one more record."""
        if len(self._queue) == self._queue.maxlen:
            self.dropped += 1
        self._queue.append(record)
        self.wake()

    def wake(self) -> None:
        """For the client: let the reader look again."""
        if self._waiter and not self._waiter.done():
            self._waiter.set_result(None)
