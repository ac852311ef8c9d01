"""The USB serial port: bytes in without blocking, frames out without waiting for a host that does not read."""

import asyncio
import select
import sys
import time

_SLICE = 64  # bytes written between two looks at the port
_WAITED_MS = 20  # a write that took longer has waited for the host
_CAREFUL = 50  # frames written byte by byte after the host was found slow
_TAKE = 128  # bytes read at most in one go


class SerialPort:
    """`dropped` counts frames that the host left no room for."""

    def __init__(self):
        self._in = sys.stdin.buffer
        self._out = sys.stdout.buffer
        self._reader = asyncio.StreamReader(self._in)
        self._can_read = select.poll()
        self._can_read.register(self._in, select.POLLIN)
        self._can_write = select.poll()
        self._can_write.register(self._out, select.POLLOUT)
        self._data = bytearray(_TAKE)
        self._arrived = b""
        self.dropped = 0
        self._careful = 0  # such frames left

    async def wait(self):
        """Wait until bytes have come; `take` has them. What a wait that was cancelled had read is not lost."""
        first = await self._reader.read(1)
        data = self._data
        data[0] = first[0]
        n = 1
        while n < _TAKE and self._can_read.poll(0):
            data[n] = self._in.read(1)[0]
            n += 1
        self._arrived += bytes(memoryview(data)[:n])

    def take(self):
        """The bytes that have come since the last call."""
        arrived = self._arrived
        self._arrived = b""
        return arrived

    def write(self, frame):
        """Write a frame, or as much of it as the port takes; the receiver drops a torn one by its CRC.

        The port blocks for up to half a second when it is open and has less room than it is given, so it is asked
        before each slice. It tells only whether there is room for one byte: for a host that reads too slowly, slices
        are of one byte for a while, since half a second again and again would stop the tasks' heartbeats.
        """
        view = memoryview(frame)
        size = 1 if self._careful else _SLICE
        for at in range(0, len(frame), size):
            if not self._can_write.poll(0):
                self._careful = _CAREFUL
                self.dropped += 1
                return False
            began_ms = time.ticks_ms()
            self._out.write(view[at : at + size])
            if time.ticks_diff(time.ticks_ms(), began_ms) > _WAITED_MS:
                self._careful = _CAREFUL
                self.dropped += 1  # it may have lost bytes: let the rest of it go
                return False
        if self._careful:
            self._careful -= 1
        return True
