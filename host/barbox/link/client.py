"""The client of a box, over any link: requests with retry, and the stream of status and event records."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Iterable
from typing import Any, final

from barbox import proto
from barbox.errors import BoxError
from barbox.link.base import Link
from barbox.link.stream import Stream
from barbox.records import Identity
from shared_proto import frames, messages, settings, states
from shared_proto.messages import Message

_STREAMED = (messages.STATUS.kind, messages.EVENT.kind)
UPDATE = "install the firmware that comes with this program"


def draw_number() -> int:
    """A first number of a session, 1..65535."""
    return 1 + int.from_bytes(os.urandom(2), "little") % 0xFFFF


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
        self._frames = 0
        self.lost: BoxError | None = None
        self._identity: Identity | None = None
        self._decoder = frames.Decoder()
        self._next = first_number or draw_number()
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
        """Frames of a box, of any kind; 0 on a port that leads to something else."""
        return self._frames

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

    async def tell(self, message: Message, *values: Any) -> None:
        """Send a message that has no answer when all is well, without waiting for anything.

        Its number is 0, which no request has. Raises BoxError when the link is lost.
        """
        if self.lost:
            raise self.lost
        await self.link.write(frames.encode(proto.pack(message, 0, *values)))

    async def get_setting(self, row: int, index: int = 0) -> Any:
        """Value of one setting: int, tuple of int, or bytes. `row` is a number of `settings.ROWS`."""
        self._same_table()
        answer = await self.request(messages.SETTING_GET, row, index)
        try:
            return settings.SETTINGS[row].unpack(answer.value)
        except ValueError as error:
            raise BoxError(f"the box's value of {settings.SETTINGS[row].name} is unfit: {error}") from error

    async def read_values(self, names: Iterable[str] = settings.ROWS) -> settings.Values:
        """The settings of the box, or those of `names` over the defaults."""
        values = settings.Values()
        for name in names:
            row = settings.ROWS[name]
            for index in range(settings.SETTINGS[row].count):
                values.rows[row][index] = await self.get_setting(row, index)
        return values

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
        stream = Stream(room, self._patience_s, self._streams.remove)
        self._streams.append(stream)
        return stream

    def _patience_s(self) -> float | None:
        """How long the reader of a stream may still wait; None for ever. Raises BoxError when lost or silent."""
        if self.lost:
            raise self.lost
        if self.silence_s is None:
            return None
        left_s = self._heard_s + self.silence_s - asyncio.get_running_loop().time()
        if left_s <= 0:
            raise BoxError(f"{self.link.url}: the box stopped answering ({self.silence_s:.1f} s)")
        return left_s

    async def _hello(self) -> Identity:
        self._heard_s = asyncio.get_running_loop().time()
        ours = f"{messages.MAJOR}.{messages.MINOR}"
        body = await self._ask(messages.HELLO, (messages.MAJOR, messages.MINOR), None, None)
        kind = body[0]
        # The version comes first in every identity, whatever follows it in another major version.
        if kind == messages.IDENTITY.kind and len(body) >= 5 and body[3] != messages.MAJOR:
            theirs = f"{body[3]}.{body[4]}"
            raise BoxError(
                f"{self.link.url}: the box speaks protocol version {theirs} and this program {ours}; {UPDATE}"
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
        if self._frames:
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
        kind, number = messages.head(body)
        message = messages.BY_KIND.get(kind)
        if message is not None and message.sender != "box":
            self.strays += 1  # an echo: this port sends back what it gets
            return
        self._heard_s = asyncio.get_running_loop().time()
        self._frames += 1
        if message is None:
            self.unknown += 1
        elif kind in _STREAMED:
            self._count(number)
            if len(body) < message.size:
                self.malformed += 1
                return
            for stream in self._streams:
                stream.offer(body[: message.size])
        elif self._waiting and self._waiting[0] == number and not self._waiting[1].done():
            self._waiting[1].set_result(body)
        else:
            self.strays += 1

    def _count(self, number: int) -> None:
        if self._last is not None:
            step = (number - self._last) & 0xFFFF
            if 0 < step < 0x8000:
                self.missed += step - 1
            else:
                self.restarts += 1
        self._last = number
