"""The USB serial port: bytes in without blocking, frames out without waiting for a host that does not read."""

import asyncio
import select
import sys

_SLICE = 64  # bytes written between two looks at the port
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
        self.dropped = 0

    async def read(self):
        """Wait for bytes; what has come (1 to 128 bytes)."""
        first = await self._reader.read(1)
        data = self._data
        data[0] = first[0]
        n = 1
        while n < _TAKE and self._can_read.poll(0):
            data[n] = self._in.read(1)[0]
            n += 1
        return bytes(memoryview(data)[:n])

    def write(self, frame):
        """Write a frame, or as much of it as the port takes; the receiver drops a torn one by its CRC.

        The port blocks for up to half a second when it is open and nobody reads, so it is asked before each slice.
        """
        view = memoryview(frame)
        for at in range(0, len(frame), _SLICE):
            if not self._can_write.poll(0):
                self.dropped += 1
                return False
            self._out.write(view[at : at + _SLICE])
        return True
