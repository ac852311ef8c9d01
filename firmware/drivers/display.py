"""SSD1306 display, 128 x 64, over I2C on a bus of its own, sent in short slices and only where it changed.

Commands and the order of bits: Solomon Systech SSD1306 data sheet (2008), sections 8.7 and 10.1. The arguments
of the timing commands are the values after reset or those usual for a module with its charge pump in use (from
memory).
"""

import asyncio
import time

WIDTH = 128
PAGES = 8  # of eight rows each

# A page goes in two slices, cut where the screens leave a gap: the larger takes 1.9 ms at 400 kHz. A whole page
# takes 3.1 ms, which is beyond a time-out of 3 ms, and a control step that falls due meanwhile is late by as much.
_CUT = 72
_SLICES = 2 * PAGES
_ALL = (1 << _SLICES) - 1

# Control bytes: what follows is ...
_COMMANDS = 0x00  # ... commands to the end
_COMMAND = 0x80  # ... a single command and another control byte
_DATA = 0x40  # ... data to the end
_SET_UP = bytes((
    0xD5, 0x80,  # clock
    0xA8, 0x3F,  # 64 rows
    0xD3, 0x00, 0x40,  # no offset, first row first
    0x8D, 0x14,  # charge pump on
    0x20, 0x02,  # page addressing
    0xA1, 0xC8,  # column 127 at SEG0, rows from below: the connector of the usual module is at the top
    0xDA, 0x12,  # alternating COM pins
    0x81, 0xFF,  # full contrast: it is read in daylight
    0xD9, 0xF1, 0xDB, 0x20,  # precharge, VCOMH
    0xA4, 0xA6,  # show the memory, not inverted
))
_ON = bytes((0xAF,))

_RETRY_MS = 2000
_AFRESH_MS = 10000  # everything is sent again: a display that lost its supply or took a spike comes back


class Display:
    """`buffer` (1,024 bytes, page after page, one byte a column, D0 the top row) is what `show` sends."""

    def __init__(self, i2c, address):
        self.buffer = bytearray(WIDTH * PAGES)
        self.alive = False
        self.errors = 0
        self._i2c = i2c
        self._address = address
        sent = bytearray(WIDTH * PAGES)
        self._now = _slices(memoryview(self.buffer))
        self._sent = _slices(memoryview(sent))
        self._stale = _ALL  # a bit for each slice whose content over there is not known
        self._place = bytearray((_COMMAND, 0, _COMMAND, 0, _COMMAND, 0, _DATA))
        self._vector = [self._place, self._place]
        self._next_ms = time.ticks_ms()  # when to begin or to send all afresh

    async def show(self):
        """Send what changed. A display that does not answer is tried again in two seconds; never raises OSError."""
        now_ms = time.ticks_ms()
        due = time.ticks_diff(now_ms, self._next_ms) >= 0
        if not (self.alive or due):
            return
        try:
            if due:
                self._i2c.writeto_mem(self._address, _COMMANDS, _SET_UP)
                self._stale = _ALL
                self._next_ms = time.ticks_add(now_ms, _AFRESH_MS)
                self.alive = True
            sent = 0
            for n in range(_SLICES):
                if self._stale >> n & 1 or self._now[n] != self._sent[n]:
                    self._send(n)
                    sent += 1
                    if sent & 1 == 0:  # the control step comes in between any two, the other tasks after 4 ms
                        await asyncio.sleep_ms(0)
            if due:  # only now: the memory of a display is random when its supply comes on
                self._i2c.writeto_mem(self._address, _COMMANDS, _ON)
        except OSError:
            self.alive = False
            self.errors += 1
            self._next_ms = time.ticks_add(time.ticks_ms(), _RETRY_MS)

    def _send(self, n):
        place = self._place
        place[1] = 0xB0 | n >> 1
        column = _CUT if n & 1 else 0
        place[3] = column & 0x0F
        place[5] = 0x10 | column >> 4
        self._sent[n][:] = self._now[n]
        self._stale &= ~(1 << n)
        self._vector[1] = self._sent[n]
        self._i2c.writevto(self._address, self._vector)


def _slices(memory):
    """Left and right slice of each page."""
    slices = []
    for page in range(0, WIDTH * PAGES, WIDTH):
        slices.append(memory[page : page + _CUT])
        slices.append(memory[page + _CUT : page + WIDTH])
    return slices
