"""The USB serial port: bytes in without blocking, frames out without ever waiting for a host that does not read.

What MicroPython 1.28 does on this chip (shared/tinyusb/mp_usbd_cdc.c, lib/tinyusb cdc_device.c, dcd_rp2040.c): a write
puts into a FIFO of 256 bytes what fits. For the rest it waits up to 500 ms since the last byte that fitted, and the
stream around it then tries once more: another 500 ms. POLLOUT says that one byte has room, or that the host is gone
or asleep, and then a full FIFO waits all the same. So POLLOUT is no help, and the driver itself knows what is in there:
it writes one burst only when all of the burst before has left, which the endpoint's own register tells.

From the FIFO the USB stack takes packets of 64 bytes, one at a time, and after a last packet of 64 an empty one.
Packets are DATA0 and DATA1 in turn. A burst that is padded so that it makes an odd number of packets ends with a short
packet of the other kind than the one before the burst; none of its other packets is short. So when the register shows
that length, that kind, and no packet on its way, the burst has gone and the FIFO is empty.
"""

import asyncio
import select
import sys
import time

import machine

_PACKET = 64
_BURST = 3 * _PACKET - 1  # at most; with _NUDGES below the 256 of the FIFO
_NUDGES = 64
_STILL_MS = 1000  # a register that shows the same for so long: nothing is under way
_PATIENCE = 20  # looks a millisecond apart, for a host that reads
_TAKE = 128  # bytes read at most in one go
_END = b"\xc0"  # an empty frame to any receiver

# RP2040 data sheet, 4.1.3: endpoint 2 is the port's, as MicroPython sets it up.
_ENABLED = 0x50100013  # top byte of the IN endpoint's control, 0x80 when a host has configured the device
_BUFFER = 0x50100090  # buffer control of the IN endpoint, 0 since it was configured when nothing has been sent
_FRAME = 0x50110048  # number of the USB frame: it stands still when the host sleeps
_LAST, _DATA1, _ON_ITS_WAY, _LENGTH = 0x4000, 0x2000, 0x0400, 0x03FF
_SHOWN = _LAST | _DATA1 | _ON_ITS_WAY | _LENGTH


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
        self._before = -1  # what the register showed before the last burst
        self._after = 0  # what it shows when all has gone
        self._seen = -1  # at the last look
        self._seen_ms = 0  # since when
        self._frame = 0
        self._nudges = 0
        self._slow = False  # a host that was waited for in vain is not waited for again
        self._sending = False

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

    async def send(self, frame):
        """Send a frame; False when the host leaves no room for it. Gives way to other tasks for some 20 ms at most, and
        not at all while the host does not read."""
        if not await self._turn():
            self.dropped += 1
            return False
        self._sending = True
        try:
            for at in range(0, len(frame), _BURST):
                if at and not await self._gone():
                    self.dropped += 1  # the receiver drops the torn one by its CRC
                    return False
                self._burst(frame[at : at + _BURST])
        finally:
            self._sending = False
        return True

    async def _turn(self):
        """True when no other task sends, and all of the last burst has gone."""
        for _ in range(_PATIENCE):
            if not self._sending:
                return await self._gone()
            await asyncio.sleep_ms(1)
        return False

    async def _gone(self):
        for _ in range(1 if self._slow else _PATIENCE):
            if self._is_empty():
                self._slow = False
                return True
            await asyncio.sleep_ms(1)
        self._slow = True
        return False

    def _is_empty(self):
        """Whether the FIFO is empty and nothing is on its way."""
        if not machine.mem8[_ENABLED] & 0x80:
            self._before = -1
            self._after = 0  # a host that configures the device clears all
            return False
        shown = machine.mem16[_BUFFER] & _SHOWN
        if shown == self._after or shown == 0 and self._before > 0:  # gone, or cleared by a new start of the bus
            return True
        now_ms = time.ticks_ms()
        if shown != self._seen:
            self._seen = shown
            self._seen_ms = now_ms
        frame = machine.mem16[_FRAME]
        runs = frame != self._frame
        self._frame = frame
        if shown & _ON_ITS_WAY or not runs or time.ticks_diff(now_ms, self._seen_ms) < _STILL_MS:
            return False
        # Nothing under way for long though the bus runs: the host slept or started the device anew in the middle.
        if shown != self._before and shown & _LENGTH < _PACKET:
            return True
        # What lies in the FIFO goes with the next byte. There is room for these beside any burst.
        if self._nudges < _NUDGES and self._can_write.poll(0):
            self._nudges += 1
            self._seen_ms = now_ms
            self._out.write(_END)
        return False

    def _burst(self, part):
        """Write, into an empty FIFO, so that an odd number of packets goes."""
        self._nudges = 0
        before = machine.mem16[_BUFFER] & _SHOWN
        if len(part) // _PACKET & 1:
            part += _END * (_PACKET - len(part) % _PACKET)
        kind = 0 if before == 0 else before & _DATA1 ^ _DATA1
        self._before = before
        self._after = _LAST | kind | len(part) % _PACKET
        self._seen = -1
        self._out.write(part)
