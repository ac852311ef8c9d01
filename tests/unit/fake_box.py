"""A box of a few lines for the tests of the host: answers requests as the message table says.

`FakeBox` turns bytes into bytes. `MemoryLink` joins one to a client without a port; `PtyBox` puts one behind
a pseudo-terminal, served by the event loop of the test.
"""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import Callable
from typing import Any

from barbox import proto
from barbox.errors import BoxError
from barbox.link.base import Link
from shared_proto import frames, messages, settings, states


class FakeBox:
    """Answers as a box would. What a test changes: `mute`, `major`, `refuse`, `ignore_first`."""

    def __init__(self, serial: bytes = b"e6614c311b4a", **identity: Any) -> None:
        self.send: Callable[[bytes], object] = lambda data: None
        self.mute = False
        self.refuse: int | None = None
        self.ignore_first = 0  # so many frames of each request go unanswered
        self.values = settings.Values()
        self.pending = self.values.copy()
        self.done: list[tuple[int, int]] = []  # (kind, number) of work done, once a request
        self.heard: list[tuple[int, int]] = []  # (kind, number) of every frame
        self.count = 0
        self.unix_s = 0
        self.log: list[tuple[int, ...]] = []
        self.log_first = 0
        self.faults: dict[str, Any] = {}
        self.cleared = 0
        self.identity = {
            "major": messages.MAJOR,
            "minor": messages.MINOR,
            "firmware": b"0.1.0",
            "board": b"pico_w",
            "serial": serial,
            "rig": b"trike",
            "reset": states.RESET_POWER,
            "settings_crc": settings.TABLE_CRC,
            "settings_seq": 3,
            "heap_free_bytes": 150000,
            "uncertainty_mv": 40,
            "side_uncertainty_mv": (40, 40, 0, 0),
            "boots": 12,
        } | identity
        self._decoder = frames.Decoder()
        self._last: tuple[tuple[int, int], bytes] | None = None

    def feed(self, data: bytes) -> None:
        """Bytes from the host."""
        for body in self._decoder.feed(data):
            key = messages.head(body)
            self.heard.append(key)
            if self.mute or self.heard.count(key) <= self.ignore_first:
                continue
            if self._last is None or self._last[0] != key:
                self._last = (key, self._answer(body))
                self.done.append(key)
            self.send(frames.encode(self._last[1]))

    def status(self, **fields: Any) -> bytes:
        """Send a status record; returns its body."""
        return self._stream(messages.STATUS, fields)

    def event(self, **fields: Any) -> bytes:
        """Send an event record; returns its body."""
        return self._stream(messages.EVENT, fields)

    def _stream(self, message: messages.Message, fields: dict[str, Any]) -> bytes:
        body = body_of(message, self.count, **fields)
        self.count = (self.count + 1) & 0xFFFF
        self.send(frames.encode(body))
        return body

    def _answer(self, body: bytes) -> bytes:
        kind, number = messages.head(body)
        if self.refuse is not None:
            return messages.REFUSED.pack(number, self.refuse)
        if kind == messages.HELLO.kind:
            return body_of(messages.IDENTITY, number, **self.identity)
        if kind in (messages.SETTING_GET.kind, messages.SETTING_PUT.kind):
            record = proto.unpack(body)
            row, index = record.row, record.index
            if row >= len(settings.SETTINGS) or index >= settings.SETTINGS[row].count:
                return messages.REFUSED.pack(number, states.REFUSE_UNKNOWN_SETTING)
            if kind == messages.SETTING_GET.kind:
                packed = settings.SETTINGS[row].pack(self.values.rows[row][index])
                return messages.SETTING.pack(number, row, index, packed)
            try:
                self.pending.rows[row][index] = settings.SETTINGS[row].unpack(record.value)
            except ValueError:
                return messages.REFUSED.pack(number, states.REFUSE_OUT_OF_RANGE)
        elif kind == messages.SETTING_COMMIT.kind:
            self.values = self.pending.copy()
        elif kind == messages.SETTING_DROP.kind:
            self.pending = self.values.copy()
        elif kind == messages.LOG_GET.kind:
            return self._page(number, proto.unpack(body).first)
        elif kind == messages.FAULTS_GET.kind:
            answer = body_of(messages.FAULTS, number, **self.faults)
            if proto.unpack(body).clear:
                self.cleared += 1
            return answer
        elif kind == messages.TIME_SET.kind:
            self.unix_s = proto.unpack(body).unix_s
        else:
            return messages.REFUSED.pack(number, states.REFUSE_UNKNOWN_REQUEST)
        return messages.DONE.pack(number)

    def _page(self, number: int, first: int) -> bytes:
        """Of `log`, rows of (boot, time_ms, unix_s, event, times, a, b)."""
        first = max(first, self.log_first)
        rows = self.log[first - self.log_first :][:10]
        columns = [tuple(c) + (0,) * (10 - len(rows)) for c in zip(*rows, strict=True)] or [(0,) * 10] * 7
        end = self.log_first + len(self.log)
        return proto.pack(messages.LOG, number, first, end, len(rows), *columns)


def body_of(message: messages.Message, number: int = 0, **fields: Any) -> bytes:
    """A body with the named fields; all others 0."""
    unset = set(fields) - {f[0] for f in message.fields}
    assert not unset, unset
    values = []
    for name, code, _, _ in message.fields:
        many = code[:-1] and code[-1] != "s"
        values.append(fields.get(name, (0,) * int(code[:-1]) if many else b"" if code[-1] in "s*" else 0))
    return proto.pack(message, number, *values)


class MemoryLink(Link):
    """Joins a FakeBox to a client: what is written is answered at the next turn of the event loop."""

    def __init__(self, box: FakeBox) -> None:
        super().__init__("memory:")
        self.box = box
        self.is_open = False
        box.send = lambda data: asyncio.get_running_loop().call_soon(self._deliver, data)

    def _deliver(self, data: bytes) -> None:
        if self.is_open:
            self.received(data)

    async def open(self) -> None:
        self.is_open = True

    async def write(self, data: bytes) -> None:
        if not self.is_open:
            raise BoxError("memory: not open")
        self.bytes_sent += len(data)
        self.box.feed(data)

    async def close(self) -> None:
        self.is_open = False

    def lose(self) -> None:
        """As if unplugged."""
        self.is_open = False
        self.on_lost(BoxError("memory: the link was lost"))


class PtyBox:
    """A FakeBox behind a pseudo-terminal at `path`, served by the running event loop. Use in `with`."""

    def __init__(self, box: FakeBox | None = None) -> None:
        self.box = box or FakeBox()
        self.sent = 0

    def __enter__(self) -> PtyBox:
        self.master, self._slave = os.openpty()
        tty.setraw(self.master)
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self.path = os.ttyname(self._slave)
        self.box.send = self.write
        self._loop = asyncio.get_running_loop()
        self._loop.add_reader(self.master, self._readable)
        return self

    def write(self, data: bytes) -> None:
        """Raw bytes to the host."""
        self.sent += os.write(self.master, data)

    def _readable(self) -> None:
        try:
            self.box.feed(os.read(self.master, 4096))
        except OSError:
            self._loop.remove_reader(self.master)

    def deaf(self) -> None:
        """Stop reading the port."""
        self._loop.remove_reader(self.master)

    def unplug(self) -> None:
        """Take the port away."""
        if self.master >= 0:
            self._loop.remove_reader(self.master)
            os.close(self._slave)
            os.close(self.master)
            self.master = -1

    def __exit__(self, *_: object) -> None:
        self.unplug()
