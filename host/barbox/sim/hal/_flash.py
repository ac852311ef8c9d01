"""Flash under littlefs: a NOR chip in a file. Programming clears bits, erasing sets them, the power may go at any
operation, and interrupts are off while it works."""

import _bus

_SECTOR = 4096
_PAGE = 256


class Flash:
    """Block device over `path`, a file of `sectors` sectors."""

    def __init__(self, path, sectors):
        self._file = open(path, "r+b")
        self._sectors = sectors

    def readblocks(self, block, buf, offset=0):
        _bus.hold(_bus.cost["flash_read"])
        self._file.seek(block * _SECTOR + offset)
        self._file.readinto(buf)

    def writeblocks(self, block, buf, offset=None):
        if offset is None:  # without an offset a whole block is erased first
            for b in range(len(buf) // _SECTOR):
                self._erase(block + b)
            offset = 0
        at = block * _SECTOR + offset
        for i in range(0, len(buf), _PAGE):
            self._program(at + i, bytes(buf[i : i + _PAGE]))

    def ioctl(self, op, arg):
        if op == 4:
            return self._sectors
        if op == 5:
            return _SECTOR
        if op == 6:
            self._erase(arg)
            return 0

    def _operation(self):
        """Count one; True when the power goes in the middle of it."""
        if _bus.flash_cut < 0:
            return False
        _bus.flash_cut -= 1
        return _bus.flash_cut < 0

    def _program(self, at, data):
        cut = self._operation()
        self._file.seek(at)
        old = self._file.read(len(data))
        new = bytes([a & b for a, b in zip(old, data)]) if old.strip(b"\xff") else data
        self._put(at, new[: len(new) // 2] if cut else new)
        self._after(cut, _bus.cost["flash_program"])

    def _erase(self, block):
        cut = self._operation()
        self._put(block * _SECTOR, b"\xff" * (_SECTOR // 2 if cut else _SECTOR))
        self._after(cut, _bus.cost["flash_erase"] + _bus.flash_slow_us)
        _bus.flash_slow_us = 0

    def _put(self, at, data):
        self._file.seek(at)
        self._file.write(data)

    @staticmethod
    def _after(cut, us):
        _bus.log(_bus.FLASH_OP, 0, us)
        if cut:
            _bus.exchange(_bus.ENDED)
            raise SystemExit
        was = _bus.mask(True)
        _bus._pass_to(_bus.now + us)
        _bus.mask(was)
        _bus._run_due()
