"""stdin and stdout of the board: the VM's own, with what they cost and what a host that does not read does."""

import _bus

_BLOCK_US = 500000  # the port waits this long for room, then gives up on the byte


class _In:
    def __init__(self, raw):
        self._raw = raw
        self.buffer = self

    def read(self, n=1):
        if not _bus.wait(-1, lambda: _bus.stdin_waiting() >= n):
            return b""
        _bus.spend(_bus.cost["stdin_byte"] * n)
        _bus.stdin_read += n
        return self._raw.read(n)


class _Out:
    def __init__(self, raw):
        self._raw = raw
        self.buffer = self

    def write(self, data):
        if isinstance(data, str):
            data = data.encode()
        n = len(data)
        _bus.hold(_bus.cost["stdout_call"] + _bus.cost["stdout_byte_x100"] * n // 100)
        if _bus.stdout_room < n:
            _bus.wait(_BLOCK_US, lambda: _bus.stdout_room >= n)
        take = min(n, _bus.stdout_room)
        _bus.stdout_room -= take
        self._raw.write(data[:take])
        return n


stdin = None
stdout = None
_bus.interrupt = -1  # MicroPython arms it for main.py


def kbd_intr(char):
    """As `micropython.kbd_intr`: -1 makes every byte data."""
    _bus.interrupt = char


def open_on(sys):
    global stdin, stdout
    stdin = _In(sys.stdin.buffer)
    stdout = _Out(sys.stdout.buffer)
