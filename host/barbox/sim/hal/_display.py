"""SSD1306 display at register level: its memory, where the next byte goes, and whether it is lit.

Commands after the Solomon Systech SSD1306 data sheet (2008), section 10.1. What changes in its memory is told to
the host in groups of eight bytes, numbered from the top left, page after page; group MODE is what it does with
them.
"""

from array import array

import _bus
import uctypes

MODE = 255
_SIZE = 1024
_WIDTH = 128
# Bytes that follow a command; those that are not here stand alone.
_ARGUMENTS = {0x20: 1, 0x21: 2, 0x22: 2, 0x81: 1, 0x8D: 1, 0xA8: 1, 0xD3: 1, 0xD5: 1, 0xD9: 1, 0xDA: 1, 0xDB: 1}
_HORIZONTAL, _VERTICAL, _PAGE = range(3)


class Ssd1306:
    def __init__(self):
        self._control = 0
        self._told = -1
        self._groups = array("l", bytes(_SIZE))
        self._before = array("l", bytes(_SIZE))
        self._memory = uctypes.bytearray_at(uctypes.addressof(self._groups), _SIZE)  # the same bytes
        self.power_on()

    def power_on(self):
        """As after a reset. The memory is random then; here it is dark, and the host is told so."""
        for g in range(_SIZE // 8):
            self._groups[g] = self._before[g] = 0
        self._command = 0
        self._wanted = 0  # arguments still to come
        self._given = []
        self._addressing = _PAGE
        self._page = self._column = 0
        self._columns = (0, _WIDTH - 1)
        self._pages = (0, 7)
        self._on = self._pump = self._all = self._inverse = False
        self._told = -1

    def _tell_mode(self):
        mode = (1 if self._on and self._pump else 0) | (2 if self._inverse else 0) | (4 if self._all else 0)
        if mode != self._told:
            self._told = mode
            _bus.log(_bus.DISPLAY, MODE, mode)

    def point(self, control):
        self._control = control

    def write(self, data):
        """One transmission: a control byte with Co set is followed by a single command (a single byte of data is
        not modelled), one without by all the rest."""
        at = 0
        while at + 1 < len(data):
            self._control = data[at]
            if self._control == 0x80:
                self._take(data[at + 1])
                at += 2
            else:
                self.write_register(data[at + 1 :])
                return

    def read_into(self, data):
        for i in range(len(data)):
            data[i] = 0 if self._on else 0x40

    def write_register(self, data):
        if self._control & 0x40:
            self._data(data)
        else:
            for byte in data:
                self._take(byte)
            self._tell_mode()

    def _take(self, byte):
        if self._wanted:
            self._given.append(byte)
            self._wanted -= 1
            if self._wanted == 0:
                self._set(self._command, self._given)
            return
        self._command = byte
        self._given = []
        self._wanted = _ARGUMENTS.get(byte, 0)
        if self._wanted:
            return
        if byte < 0x10:
            self._column = self._column & 0x70 | byte
        elif byte < 0x20:
            self._column = self._column & 0x0F | (byte & 7) << 4
        elif 0xB0 <= byte < 0xB8:
            self._page = byte & 7
        elif byte in (0xA4, 0xA5):
            self._all = bool(byte & 1)
        elif byte in (0xA6, 0xA7):
            self._inverse = bool(byte & 1)
        elif byte in (0xAE, 0xAF):
            self._on = bool(byte & 1)

    def _set(self, command, given):
        if command == 0x20:
            self._addressing = given[0] & 3
        elif command == 0x21:
            self._columns = (given[0] & 0x7F, given[1] & 0x7F)
            self._column = self._columns[0]
        elif command == 0x22:
            self._pages = (given[0] & 7, given[1] & 7)
            self._page = self._pages[0]
        elif command == 0x8D:
            self._pump = bool(given[0] & 4)

    def _data(self, data):
        if self._addressing == _VERTICAL:
            raise NotImplementedError("vertical addressing")
        first, last = self._columns if self._addressing == _HORIZONTAL else (0, _WIDTH - 1)
        at = 0
        while at < len(data):
            count = min(len(data) - at, last + 1 - self._column)
            self._store(self._page * _WIDTH + self._column, data[at : at + count])
            at += count
            self._column += count
            if self._column > last:
                self._column = first
                if self._addressing == _HORIZONTAL:
                    self._page = self._page + 1 if self._page < self._pages[1] else self._pages[0]

    def _store(self, at, data):
        end = at + len(data)
        self._memory[at:end] = data
        groups, before = self._groups, self._before
        for g in range(at >> 3, end + 7 >> 3):
            value = groups[g]
            if value != before[g]:
                before[g] = value
                _bus.log(_bus.DISPLAY, g, value)
